//! What lies below a folder, to the last detail, so that a test can tell that nothing touched it.

use std::collections::BTreeMap;
use std::fs;
use std::hash::{DefaultHasher, Hash, Hasher};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::world::ok;

/// Every entry with its inode, times, mode, owner, size and content. Empty when the folder is not there.
pub fn listing(folder: &Path) -> BTreeMap<PathBuf, String> {
    let mut found = BTreeMap::new();
    if fs::symlink_metadata(folder).is_ok() {
        look(folder, &mut found);
    }
    found
}

fn look(path: &Path, found: &mut BTreeMap<PathBuf, String>) {
    let meta = fs::symlink_metadata(path).unwrap();
    let mut content = DefaultHasher::new();
    if meta.is_file() {
        fs::read(path).unwrap().hash(&mut content);
    } else if meta.is_symlink() {
        fs::read_link(path).unwrap().hash(&mut content);
    }
    let words = format!(
        "inode {} changed {}.{:09} modified {}.{:09} mode {:o} owner {}:{} links {} size {} content {:x}",
        meta.ino(),
        meta.ctime(),
        meta.ctime_nsec(),
        meta.mtime(),
        meta.mtime_nsec(),
        meta.mode(),
        meta.uid(),
        meta.gid(),
        meta.nlink(),
        meta.size(),
        content.finish()
    );
    found.insert(path.to_owned(), words);
    if meta.is_dir() {
        let mut entries: Vec<PathBuf> = fs::read_dir(path)
            .unwrap()
            .map(|entry| entry.unwrap().path())
            .collect();
        entries.sort();
        for entry in &entries {
            look(entry, found);
        }
    }
}

/// rsync, reading every byte, finds no difference between two trees (rsync(1), `--itemize-changes`).
#[track_caller]
pub fn assert_same_tree(reference: &Path, copy: &Path) {
    let slashed = |path: &Path| format!("{}/", path.display());
    let out = ok(Command::new("rsync")
        .args(["-aHAXn", "--checksum", "--delete", "-i"])
        .arg(slashed(reference))
        .arg(slashed(copy)));
    let differences = String::from_utf8_lossy(&out.stdout);
    assert!(
        copy.is_dir() && differences.is_empty(),
        "{} differs from {}:\n{differences}",
        copy.display(),
        reference.display()
    );
}
