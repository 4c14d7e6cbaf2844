//! Our manifests, read and checked by two other programs that know mtree(5): NetBSD's `mtree` and libarchive's
//! `bsdtar`, on names that are hard to write down.

use std::fs;
use std::io::BufReader;
use std::os::unix::fs::{MetadataExt, PermissionsExt, lchown, symlink};
use std::path::{Path, PathBuf};
use std::process::Command;

use hayloft::prove::manifest::{Entry, EntryKind, read};
use tempfile::TempDir;

use crate::manifest_tree::{below, make, touch, walk, write_manifest};
use crate::world::{ok, skip};

/// A tree, what a plain walk finds in it, and the manifest of that beside it.
pub struct Proved {
    folder: TempDir,
    pub entries: Vec<Entry>,
    pub manifest: PathBuf,
}

impl Proved {
    pub fn new() -> Option<Self> {
        Self::without(&[])
    }

    /// Leaves out the names of the tree that a program cannot do.
    pub fn without(left_out: &[&str]) -> Option<Self> {
        if !rustix::process::geteuid().is_root() {
            skip("needs root, for devices and owners");
            return None;
        }
        for program in ["mtree", "bsdtar", "python3"] {
            if !Path::new("/usr/bin").join(program).exists() {
                skip(format!("needs `{program}`; see tests/setup"));
                return None;
            }
        }
        let folder = tempfile::tempdir().unwrap();
        let tree = folder.path().join("tree");
        make(&tree);
        for name in left_out {
            ok(Command::new("rm").arg("-r").arg(tree.join(name)));
        }
        let entries = walk(&tree);
        let manifest = write_manifest(folder.path(), &entries);
        Some(Self {
            folder,
            entries,
            manifest,
        })
    }

    pub fn tree(&self) -> PathBuf {
        self.folder.path().join("tree")
    }

    /// What `mtree` says of the tree against the manifest, blanks made one space. (Its exit status is 2 when
    /// something differs, but 0 when names are only missing: no output is what counts.)
    fn checked(&self) -> String {
        let out = Command::new("mtree")
            .env("TZ", "UTC")
            .env("LC_ALL", "C")
            .arg("-p")
            .arg(self.tree())
            .arg("-f")
            .arg(&self.manifest)
            .output()
            .unwrap();
        let said = [out.stdout, out.stderr].concat();
        let said = String::from_utf8_lossy(&said);
        let words: Vec<_> = said.split_whitespace().collect();
        words.join(" ")
    }
}

#[test]
fn mtree_finds_an_untouched_tree_as_its_manifest_tells() {
    let Some(proved) = Proved::new() else { return };
    assert!(proved.entries.len() > 150);
    assert_eq!(proved.checked(), "");
}

#[test]
fn our_reader_finds_in_our_manifest_what_was_walked() {
    let Some(proved) = Proved::new() else { return };
    let file = BufReader::new(fs::File::open(&proved.manifest).unwrap());
    let entries: Result<Vec<Entry>, _> = read(file).ours_only().collect();
    assert!(entries.unwrap() == proved.entries);
}

/// A change within the tree, and what `mtree` must say of it.
type Change = (fn(&Path), &'static str);

const GLAZE: &str = "plain/glaze.txt";
const CHANGED: &str = "feldspar 41, silica 30\n";

const CHANGES: &[Change] = &[
    (
        |tree| {
            let before = fs::metadata(tree.join(GLAZE)).unwrap();
            fs::write(tree.join(GLAZE), CHANGED).unwrap();
            touch(&tree.join(GLAZE), (before.mtime(), before.mtime_nsec()));
        },
        "plain/glaze.txt: sha256 (0x{before}, 0x{after})",
    ),
    (
        |tree| fs::set_permissions(tree.join(GLAZE), fs::Permissions::from_mode(0o4600)).unwrap(),
        "plain/glaze.txt: permissions (0644, 04600)",
    ),
    (
        |tree| lchown(tree.join(GLAZE), Some(1000), Some(1001)).unwrap(),
        "plain/glaze.txt: user (0, 1000) gid (0, 1001)",
    ),
    (
        |tree| touch(&tree.join(GLAZE), (-1, 999_998_999)),
        "plain/glaze.txt: modification time (Wed Dec 31 23:59:59 1969, Wed Dec 31 23:59:59 1969)",
    ),
    (
        |tree| fs::remove_file(tree.join(GLAZE)).unwrap(),
        "missing: ./plain/glaze.txt",
    ),
    (
        |tree| fs::write(tree.join("plain/added"), "").unwrap(),
        "extra: plain/added",
    ),
    (
        |tree| {
            fs::remove_file(tree.join(GLAZE)).unwrap();
            symlink("elsewhere", tree.join(GLAZE)).unwrap();
        },
        "plain/glaze.txt: type (file, link)",
    ),
    (
        |tree| replace_link(&tree.join("kinds/dangling"), "no/such/plate"),
        // what is there first, here alone
        "kinds/dangling: link ref (no/such/plate, no/such/place)",
    ),
    (
        |tree| {
            let null = tree.join("kinds/null");
            let before = fs::metadata(&null).unwrap();
            fs::remove_file(&null).unwrap();
            let kind = rustix::fs::FileType::CharacterDevice;
            let device = rustix::fs::makedev(1, 5);
            rustix::fs::mknodat(rustix::fs::CWD, &null, kind, 0o640.into(), device).unwrap();
            touch(&null, (before.mtime(), before.mtime_nsec()));
        },
        "kinds/null: device (0x103, 0x105)",
    ),
];

fn replace_link(link: &Path, target: &str) {
    let before = fs::symlink_metadata(link).unwrap();
    fs::remove_file(link).unwrap();
    symlink(target, link).unwrap();
    lchown(link, Some(before.uid()), Some(before.gid())).unwrap();
    touch(link, (before.mtime(), before.mtime_nsec()));
}

#[test]
fn mtree_tells_each_change_and_nothing_else() {
    for (change, expected) in CHANGES {
        let Some(proved) = Proved::new() else { return };
        let before = sha256sum(&[proved.tree().join(GLAZE)]);
        change(&proved.tree());
        // of the folders, the time tells too that something was made or removed there
        for entry in proved
            .entries
            .iter()
            .filter(|entry| entry.kind == EntryKind::Folder)
        {
            let time = (entry.time.seconds, i64::from(entry.time.nanos));
            touch(&below(&proved.tree(), &entry.path), time);
        }
        let mut expected = (*expected).to_owned();
        if expected.contains("{after}") {
            let after = sha256sum(&[proved.tree().join(GLAZE)]);
            expected = expected
                .replace("{before}", &before[0])
                .replace("{after}", &after[0]);
        }
        assert_eq!(proved.checked(), expected);
    }
}

/// The digests of files, by coreutils.
fn sha256sum(files: &[PathBuf]) -> Vec<String> {
    let out = ok(Command::new("sha256sum")
        .arg("--zero")
        .arg("--")
        .args(files));
    out.stdout
        .split(|byte| *byte == 0)
        .filter(|line| !line.is_empty())
        .map(|line| String::from_utf8_lossy(&line[..64]).into_owned())
        .collect()
}

#[test]
fn the_digests_are_those_of_sha256sum() {
    let Some(proved) = Proved::new() else { return };
    let digested = proved.entries.iter().filter_map(|entry| match &entry.kind {
        EntryKind::File { digest, .. } => {
            Some((below(&proved.tree(), &entry.path), digest.unwrap()))
        }
        _ => None,
    });
    let (files, digests): (Vec<_>, Vec<_>) = digested
        .map(|(path, digest)| (path, digest.to_string()))
        .unzip();
    assert!(files.len() > 50);
    assert_eq!(sha256sum(&files), digests);
}

#[test]
fn the_commands_in_the_heading_do_what_it_says() {
    let Some(proved) = Proved::new() else { return };
    let text = fs::read_to_string(&proved.manifest).unwrap();
    let commands: Vec<&str> = text
        .lines()
        .filter_map(|line| line.strip_prefix("#   "))
        .collect();
    let run = |command: &str| {
        let mut shell = Command::new("sh");
        let out = shell
            .arg("-c")
            .arg(command)
            .current_dir(proved.folder.path())
            .output();
        let out = out.unwrap();
        (
            String::from_utf8_lossy(&out.stdout).into_owned(),
            out.status.code(),
        )
    };
    let [check, list, digest] = commands[..] else {
        panic!("{commands:?}")
    };
    assert_eq!(run(check), (String::new(), Some(0)));
    let (listed, _) = run(list);
    assert_eq!(listed.lines().count(), proved.entries.len());
    let (summed, _) = run(digest);
    let last = text.lines().last().unwrap();
    let count = proved.entries.len();
    let expected = format!(
        "# end: {count} entries, sha256 of the lines above {}",
        &summed[..64]
    );
    assert_eq!(last, expected);
}

#[test]
fn libarchive_reads_every_name_and_what_is_told_of_it() {
    // libarchive 3.6.2 writes `type=socket` and does not know it: `bsdtar -t` warns and goes on, this ends there
    let Some(proved) = Proved::without(&["kinds/socket"]) else {
        return;
    };
    // where nothing of the tree is: what libarchive says comes from the manifest alone
    let elsewhere = tempfile::tempdir().unwrap();
    let out = ok(Command::new("bsdtar")
        .args(["-cf", "-", "--format=mtree", "--options=mtree:all"])
        .arg(format!("@{}", proved.manifest.display()))
        .current_dir(elsewhere.path()));
    let flat = elsewhere.path().join("flat.mtree");
    fs::write(&flat, &out.stdout).unwrap();
    let compared = ok(Command::new("python3")
        .arg(concat!(
            env!("CARGO_MANIFEST_DIR"),
            "/tests/it/manifest_flat.py"
        ))
        .arg(proved.tree())
        .stdin(fs::File::open(&flat).unwrap()));
    assert_eq!(String::from_utf8_lossy(&compared.stdout), "");
    let count = format!("{} entries\n", proved.entries.len());
    assert_eq!(String::from_utf8_lossy(&compared.stderr), count);
}
