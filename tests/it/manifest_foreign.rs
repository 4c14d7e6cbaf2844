//! Manifests that NetBSD's `mtree` and libarchive's `bsdtar` write, read by us.

use std::path::Path;
use std::process::Command;

use hayloft::prove::manifest::{Entry, read};

use crate::manifest_oracles::Proved;
use crate::world::ok;

/// The entries of a manifest, by path.
#[track_caller]
fn sorted(text: &[u8]) -> Vec<Entry> {
    let mut entries: Vec<Entry> = read(text).map(Result::unwrap).collect();
    entries.sort_by(|a, b| a.path.cmp(&b.path));
    entries
}

#[track_caller]
fn assert_same(mut ours: Vec<Entry>, theirs: &[Entry]) {
    ours.sort_by(|a, b| a.path.cmp(&b.path));
    for (ours, theirs) in ours.iter().zip(theirs) {
        assert_eq!(ours, theirs, "{}", ours.path.escape_ascii());
    }
    assert_eq!(ours.len(), theirs.len());
}

#[test]
fn mtree_reads_our_manifest_as_we_do() {
    let Some(proved) = Proved::new() else { return };
    let dumped = ok(Command::new("mtree")
        .args(["-C", "-K", "sha256,device,link", "-f"])
        .arg(&proved.manifest));
    assert_same(proved.entries, &sorted(&dumped.stdout));
}

/// Both programs put the names of folders into comments as they are: a newline in one ends the comment, and what
/// follows looks like an entry. Our reader finds that such an entry is told nothing of.
const FOLDER_WITH_A_NEWLINE: &str = "hard/dnew\nline";

#[test]
fn the_manifest_that_mtree_writes_of_a_tree_tells_the_same() {
    // it cuts what it writes of a target at about a thousand characters; it reads ours whole
    let Some(proved) = Proved::without(&[FOLDER_WITH_A_NEWLINE, "long-link"]) else {
        return;
    };
    let written = ok(Command::new("mtree")
        .args(["-c", "-K", "sha256,device", "-p"])
        .arg(proved.tree()));
    assert_same(proved.entries, &sorted(&written.stdout));
}

fn written_by_bsdtar(tree: &Path, format: &[&str]) -> Vec<u8> {
    let mut bsdtar = Command::new("bsdtar");
    bsdtar.args(["-cf", "-"]).args(format).arg("-C").arg(tree);
    ok(bsdtar.arg(".")).stdout
}

#[test]
fn the_manifests_that_libarchive_writes_of_a_tree_tell_the_same() {
    let Some(proved) = Proved::new() else { return };
    for options in [
        "--options=mtree:all,mtree:sha256",
        "--options=mtree:all,mtree:use-set,mtree:indent",
    ] {
        let written = written_by_bsdtar(&proved.tree(), &["--format=mtree", options]);
        assert_same(proved.entries.clone(), &sorted(&written));
    }
}

#[test]
fn the_classic_manifest_that_libarchive_writes_of_a_tree_tells_the_same() {
    let Some(proved) = Proved::without(&[FOLDER_WITH_A_NEWLINE]) else {
        return;
    };
    let classic = ["--format=mtree-classic", "--options=sha256"];
    let written = written_by_bsdtar(&proved.tree(), &classic);
    assert_same(proved.entries, &sorted(&written));
}

#[test]
fn a_folder_with_a_newline_makes_other_programs_manifests_an_error_not_a_name_more() {
    let Some(proved) = Proved::new() else { return };
    let mtree = ok(Command::new("mtree").arg("-c").arg("-p").arg(proved.tree()));
    let classic = written_by_bsdtar(&proved.tree(), &["--format=mtree-classic"]);
    for text in [mtree.stdout, classic] {
        let last = read(text.as_slice()).last().unwrap();
        assert!(last.unwrap_err().to_string().contains("`line` has no"));
    }
}
