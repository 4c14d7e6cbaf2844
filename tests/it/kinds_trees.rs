//! Trees that hold everything a file system can, and two independent ways to compare them.

use std::path::{Path, PathBuf};
use std::process::Command;

use crate::world::{World, ok};

/// What a comparison lets pass.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Allowing {
    Nothing,
    /// tar holds no sockets (GNU tar manual: "socket ignored").
    NoSockets,
    /// The reader of the archive writes holes out as zeros.
    FilledHoles,
}

fn script(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("tests/it")
        .join(name)
}

/// A tree with hard links, ACLs, attributes, holes, devices, odd names and odd times.
pub fn make_tricky(folder: &Path) {
    tricky(&["make"], folder);
}

/// The same without what only the superuser can make or read.
pub fn make_plain_tricky(folder: &Path) {
    ok(Command::new("python3")
        .arg(script("tricky_tree.py"))
        .arg("make")
        .arg(folder)
        .arg("plain"));
}

/// The edits of one night, from 1 to 3.
pub fn edit_tricky(folder: &Path, night: u32) {
    tricky(&["night", &night.to_string()], folder);
}

fn tricky(words: &[&str], folder: &Path) {
    ok(Command::new("python3")
        .arg(script("tricky_tree.py"))
        .args(words)
        .arg(folder));
}

/// Both comparisons must find no difference, down to nanoseconds, inodes shared and holes.
#[track_caller]
pub fn assert_same(source: &Path, copy: &Path, allowing: Allowing) {
    let walked = walk_differences(source, copy, allowing);
    assert_eq!(walked, "", "{} {}", source.display(), copy.display());
    let listed = rsync_differences(source, copy, allowing);
    assert_eq!(listed, "", "{} {}", source.display(), copy.display());
}

/// What rsync(1) would change to make `copy` equal to `source`, going by content.
pub fn rsync_differences(source: &Path, copy: &Path, allowing: Allowing) -> String {
    let mut command = Command::new("rsync");
    command.args(["-aHAXSn", "--numeric-ids", "--checksum", "--delete"]);
    command.args(["--itemize-changes", "--modify-window=-1"]);
    if allowing != Allowing::Nothing {
        command.arg("--no-specials");
    }
    let out = ok(command.arg(slashed(source)).arg(slashed(copy)));
    String::from_utf8_lossy(&out.stdout)
        .lines()
        .filter(|line| !line.starts_with("skipping non-regular file"))
        .collect()
}

/// What a walk with lstat, listxattr and a hash finds different.
pub fn walk_differences(source: &Path, copy: &Path, allowing: Allowing) -> String {
    let mut command = Command::new("python3");
    command.arg(script("walk_trees.py")).arg(source).arg(copy);
    match allowing {
        Allowing::Nothing => {}
        Allowing::NoSockets => drop(command.arg("no-sockets")),
        Allowing::FilledHoles => drop(command.args(["no-sockets", "no-holes"])),
    }
    String::from_utf8_lossy(&ok(&mut command).stdout).into_owned()
}

fn slashed(path: &Path) -> PathBuf {
    path.join("")
}

/// A second copy of the source as it is now, made by rsync and checked, to compare with later.
pub fn reference_copy(world: &World, name: &str) -> PathBuf {
    let folder = world.path(name);
    ok(Command::new("rsync")
        .args(["-aHAXS", "--numeric-ids", "--modify-window=-1"])
        .arg(slashed(&world.source()))
        .arg(slashed(&folder)));
    assert_same(&world.source(), &folder, Allowing::Nothing);
    folder
}

/// Where a source lies within a tree of copies.
pub fn within(tree: &Path, source: &Path) -> PathBuf {
    tree.join(source.strip_prefix("/").unwrap())
}
