//! What is carried over, what is read, and what is left without a digest.

use std::fs::{self, File};
use std::path::Path;

use super::*;
use crate::record::GenerationName;
use crate::tree::index::Foot;
use crate::tree::now;

fn foot(described: &Described) -> Foot {
    let generation = GenerationName::parse("20261125T023000Z").unwrap();
    Foot {
        generation,
        file_systems: described.file_systems.clone(),
        births: vec![generation],
        alive: std::collections::BTreeMap::new(),
    }
}

fn looked_at(tree: &Path, earlier: Option<&Earlier>) -> (Described, NewIndex) {
    let new = NewIndex::in_memory().unwrap();
    let root = OwnedFd::from(File::open(tree).unwrap());
    let described = describe(Wanted {
        root: &root,
        of: Of::Copy,
        earlier,
        new: &new,
        halt: &Halt::default(),
    });
    (described.unwrap(), new)
}

fn earlier(described: &Described, new: NewIndex, proof: Proof) -> Earlier {
    Earlier {
        index: new.into_index(&foot(described)).unwrap(),
        proof,
    }
}

/// A tree whose files were settled long ago.
fn settled() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    fs::create_dir(folder.path().join("shelf")).unwrap();
    for name in ["bowl", "jug", "shelf/lid"] {
        fs::write(folder.path().join(name), name).unwrap();
    }
    // the kernel sets the time of the last change; nothing else makes it older
    std::thread::sleep(std::time::Duration::from_millis(3100));
    folder
}

#[test]
fn only_what_something_happened_to_is_read_again() {
    let tree = settled();
    let (first, new) = looked_at(tree.path(), None);
    assert_eq!(first.read, 3);
    let known = earlier(&first, new, Proof::Untouched);
    assert_eq!(looked_at(tree.path(), Some(&known)).0.read, 0);

    // as a change behind size and time of modification
    let jug = tree.path().join("jug");
    let before = fs::metadata(&jug).unwrap().modified().unwrap();
    fs::write(&jug, "gud").unwrap();
    let file = File::options().write(true).open(&jug).unwrap();
    file.set_modified(before).unwrap();
    let (second, new) = looked_at(tree.path(), Some(&known));
    assert_eq!(second.read, 1);
    let digest = |index: &Index, name: &str| {
        let block = index.block(ROOT).unwrap();
        old_of(&block, name.as_bytes()).unwrap().digest()
    };
    let second = earlier(&second, new, Proof::Untouched);
    assert_ne!(digest(&known.index, "jug"), digest(&second.index, "jug"));
    assert_eq!(digest(&known.index, "bowl"), digest(&second.index, "bowl"));
    // it changed within the last seconds: it may have changed again, unseen
    assert_eq!(looked_at(tree.path(), Some(&second)).0.read, 1);
}

#[test]
fn the_same_inode_with_several_names_takes_the_digest_that_is_known() {
    let scratch = tempfile::tempdir().unwrap();
    let (one, two) = (scratch.path().join("one"), scratch.path().join("two"));
    fs::create_dir(&one).unwrap();
    fs::create_dir(&two).unwrap();
    for name in ["shared", "copied"] {
        fs::write(one.join(name), name).unwrap();
    }
    let (first, new) = looked_at(&one, None);
    let known = earlier(&first, new, Proof::SameInode);
    fs::hard_link(one.join("shared"), two.join("shared")).unwrap();
    fs::copy(one.join("copied"), two.join("copied")).unwrap();
    let (second, index) = looked_at(&two, Some(&known));
    assert_eq!(second.read, 1);
    let block = index.block(ROOT).unwrap();
    assert!(block.iter().all(|seen| seen.digest().is_some()));
    // one name alone proves nothing: a file system without links may have given its number out again
    fs::remove_file(two.join("shared")).unwrap();
    assert_eq!(looked_at(&one, Some(&known)).0.read, 2);
}

#[test]
fn of_a_source_what_changed_after_the_copy_began_gets_no_digest() {
    let tree = settled();
    let begun = now();
    std::thread::sleep(std::time::Duration::from_millis(20));
    fs::write(tree.path().join("jug"), "another").unwrap();
    let new = NewIndex::in_memory().unwrap();
    let root = OwnedFd::from(File::open("/").unwrap());
    let sources = [tree.path().to_owned()];
    let described = describe(Wanted {
        root: &root,
        of: Of::Source {
            scope: &Scope::of(&sources),
            exclusions: &Exclusions::new(&[], &[]),
            begun,
        },
        earlier: None,
        new: &new,
        halt: &Halt::default(),
    })
    .unwrap();
    assert_eq!((described.read, described.unsure), (2, 1));
    let mut without = Vec::new();
    crate::tree::listing::list(&new, |entry| {
        if let crate::prove::manifest::EntryKind::File { digest: None, .. } = entry.kind {
            without.push(entry.path.clone());
        }
        Ok(())
    })
    .unwrap();
    assert_eq!(without.len(), 1);
    assert!(without[0].ends_with(b"/jug"));
}
