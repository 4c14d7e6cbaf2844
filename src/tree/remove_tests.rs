//! Removal of real trees.

use std::fs;
use std::os::fd::{AsFd, OwnedFd};
use std::os::unix::ffi::OsStringExt;
use std::os::unix::fs::symlink;
use std::path::Path;
use std::process::Command;

use super::*;

fn open(path: &Path) -> OwnedFd {
    fs::File::open(path).expect("a folder").into()
}

fn remove(folder: &Path, name: &str) -> Result<(), RemoveError> {
    remove_tree(open(folder).as_fd(), OsStr::new(name))
}

/// Says why a test cannot be done here; where CI is set it must be done.
fn skip(why: &str) {
    assert!(
        std::env::var_os("CI").is_none(),
        "cannot be skipped in CI: {why}"
    );
    eprintln!("skipped: {why}");
}

fn ok(program: &str, arguments: &[&str], path: &Path) {
    let output = Command::new(program).args(arguments).arg(path).output();
    let output = output.expect("a program of util-linux, e2fsprogs or coreutils");
    assert!(output.status.success(), "{program}: {output:?}");
}

/// Glaze recipes in odd company: every type of entry, names that are no text, a second name for a file outside.
fn fill(folder: &Path) {
    for year in 0..8 {
        let year = folder.join(format!("glazes/{year}"));
        fs::create_dir_all(year.join("empty")).expect("folders");
        for number in 0..40 {
            fs::write(year.join(format!("{number}.txt")), "ash and feldspar").expect("a file");
        }
    }
    fs::write(
        folder.join(OsString::from_vec(b"-caf\xe9\n*".to_vec())),
        "odd",
    )
    .expect("a file");
    symlink("/etc", folder.join("to-a-folder")).expect("a link");
    symlink("nowhere", folder.join("dangling")).expect("a link");
    ok("mkfifo", &[], &folder.join("pipe"));
    fs::hard_link(folder.join("../keep/recipe"), folder.join("linked")).expect("a second name");
}

/// A scratch folder with `keep` and `old`.
fn scratch() -> tempfile::TempDir {
    let scratch = tempfile::tempdir().expect("a scratch folder");
    fs::create_dir(scratch.path().join("keep")).expect("a folder");
    fs::write(scratch.path().join("keep/recipe"), "the only one").expect("a file");
    fs::create_dir(scratch.path().join("old")).expect("a folder");
    fill(&scratch.path().join("old"));
    scratch
}

fn names(folder: &Path) -> Vec<OsString> {
    let entries = fs::read_dir(folder).expect("a folder");
    let mut names: Vec<_> = entries
        .map(|entry| entry.expect("an entry").file_name())
        .collect();
    names.sort();
    names
}

#[test]
fn a_tree_with_entries_of_every_type_is_gone_and_what_its_links_lead_to_stays() {
    let scratch = scratch();
    remove(scratch.path(), "old").expect("removed");
    assert_eq!(names(scratch.path()), ["keep"]);
    let kept = fs::read_to_string(scratch.path().join("keep/recipe")).expect("the file");
    assert_eq!(kept, "the only one");
    assert!(Path::new("/etc/passwd").exists());
}

#[test]
fn a_link_in_the_place_of_the_tree_is_removed_and_not_followed() {
    let scratch = scratch();
    symlink("keep", scratch.path().join("link")).expect("a link");
    remove(scratch.path(), "link").expect("removed");
    assert_eq!(names(scratch.path()), ["keep", "old"]);
}

#[test]
fn what_is_not_there_is_as_good_as_removed_and_a_file_goes_too() {
    let scratch = scratch();
    remove(scratch.path(), "absent").expect("nothing to do");
    fs::write(scratch.path().join("old.tar"), "an archive").expect("a file");
    remove(scratch.path(), "old.tar").expect("removed");
    assert_eq!(names(scratch.path()), ["keep", "old"]);
}

#[test]
fn a_folder_with_more_names_than_one_piece_is_emptied() {
    let scratch = tempfile::tempdir().expect("a scratch folder");
    let many = scratch.path().join("many");
    fs::create_dir(&many).expect("a folder");
    for number in 0..3 * PIECE + 7 {
        fs::write(many.join(number.to_string()), "").expect("a file");
    }
    remove(scratch.path(), "many").expect("removed");
    assert_eq!(names(scratch.path()), [""; 0]);
}

#[test]
fn a_path_far_longer_than_path_max_is_removed_with_few_files_open() {
    use rustix::process::{Resource, getrlimit};
    let scratch = tempfile::tempdir().expect("a scratch folder");
    let long = "x".repeat(200);
    let mut folder = open(scratch.path());
    // 1500 levels of 200 bytes; PATH_MAX is 4096 (limits.h)
    for level in 0..1500 {
        let name = if level == 0 { "deep" } else { &long };
        rustix::fs::mkdirat(&folder, name, Mode::RWXU).expect("a folder");
        let flags = OFlags::DIRECTORY | OFlags::RDONLY;
        folder = openat(&folder, name, flags, Mode::empty()).expect("the folder");
        let file = OFlags::CREATE | OFlags::WRONLY;
        openat(&folder, "leaf", file, Mode::RUSR).expect("a file");
    }
    drop(folder);
    let before = getrlimit(Resource::Nofile).current;
    remove(scratch.path(), "deep").expect("removed");
    assert_eq!(getrlimit(Resource::Nofile).current, before);
    assert_eq!(names(scratch.path()), [""; 0]);
}

#[test]
fn an_immutable_file_is_named_with_what_to_do_and_the_rest_goes() {
    if !rustix::process::geteuid().is_root() {
        return skip("needs root, for immutable files");
    }
    let scratch = scratch();
    let stuck = scratch.path().join("old/glazes/3/7.txt");
    ok("chattr", &["+i"], &stuck);
    let error = remove(scratch.path(), "old").expect_err("it cannot be removed");
    ok("chattr", &["-i"], &stuck);
    assert_eq!(error.path, Path::new("old/glazes/3/7.txt"));
    assert!(
        error
            .to_string()
            .contains("`chattr -i -a` takes the mark off"),
        "{error}"
    );
    assert_eq!(error.more, 0, "{error}");
    assert_eq!(names(&scratch.path().join("old")), ["glazes"]);
    assert_eq!(names(&scratch.path().join("old/glazes")), ["3"]);
    assert_eq!(names(&scratch.path().join("old/glazes/3")), ["7.txt"]);
    remove(scratch.path(), "old").expect("removed");
}

#[test]
fn of_an_immutable_folder_the_first_entry_is_named_and_the_others_counted() {
    if !rustix::process::geteuid().is_root() {
        return skip("needs root, for immutable files");
    }
    let scratch = scratch();
    let stuck = scratch.path().join("old/glazes/3");
    ok("chattr", &["+i"], &stuck);
    let error = remove(scratch.path(), "old").expect_err("it cannot be removed");
    ok("chattr", &["-i"], &stuck);
    assert!(
        error.to_string().contains("the folder it is in is marked"),
        "{error}"
    );
    assert_eq!(error.more, 40, "{error}");
    assert_eq!(names(&stuck).len(), 41);
    assert_eq!(names(&scratch.path().join("old/glazes")), ["3"]);
}

/// A tmpfs, and a bind mount of the same file system: its device number is that of the tree.
#[test]
fn what_is_mounted_inside_is_not_entered() {
    if !rustix::process::geteuid().is_root() {
        return skip("needs root, for mounts");
    }
    for bound in [false, true] {
        let scratch = scratch();
        let inside = scratch.path().join("old/glazes/5/empty");
        if bound {
            let keep = scratch.path().join("keep");
            let keep = keep.to_str().expect("a scratch path is text");
            ok("mount", &["--bind", keep], &inside);
        } else {
            ok("mount", &["-t", "tmpfs", "tmpfs"], &inside);
            fs::write(inside.join("recipe"), "the only one").expect("a file");
        }
        let error = remove(scratch.path(), "old");
        let left = fs::read_to_string(inside.join("recipe"));
        ok("umount", &[], &inside);
        let error = error.expect_err("something is mounted there");
        assert_eq!(error.path, Path::new("old/glazes/5/empty"));
        assert_eq!(error.source.kind(), std::io::ErrorKind::ResourceBusy);
        assert_eq!(left.expect("the file"), "the only one");
        assert!(scratch.path().join("keep/recipe").exists());
        remove(scratch.path(), "old").expect("removed");
    }
}
