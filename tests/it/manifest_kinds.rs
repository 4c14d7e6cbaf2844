//! Every kind of copy has a manifest, which other programs hold against what lies on the drive.

use std::collections::BTreeMap;
use std::fs::{self, File};
use std::io::BufReader;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::fs::MetadataExt;
use std::path::Path;
use std::process::Command;

use hayloft::prove::manifest::{Entry, EntryKind, Time, read};

use crate::kinds_trees::{edit_tricky, make_tricky};
use crate::ssh_server::Server;
use crate::world::{World, leading_folder, ok};

pub const NIGHTS: [&str; 3] = ["20261125T023000Z", "20261126T023000Z", "20261127T023000Z"];

pub fn run_at(world: &World, night: usize, job: &str) -> serde_json::Value {
    let clock = format!("2026-11-{}T02:30:00Z", 25 + night);
    world.run_json(&["--clock", &clock, "run", job], 0)
}

/// The entries of a manifest, by path. The reader proves that it is whole.
#[track_caller]
pub fn entries(manifest: &Path) -> BTreeMap<Vec<u8>, Entry> {
    let file = BufReader::new(File::open(manifest).unwrap());
    let entries = read(file).ours_only();
    entries
        .map(|entry| entry.unwrap())
        .map(|entry| (entry.path.clone(), entry))
        .collect()
}

/// What NetBSD's `mtree` says of a tree, without the names that it takes for patterns: those with `*`, `?` or `[`.
pub fn mtree(tree: &Path, manifest: &Path) -> String {
    let out = Command::new("mtree")
        .env("TZ", "UTC")
        .env("LC_ALL", "C")
        .arg("-p")
        .arg(tree)
        .arg("-f")
        .arg(manifest)
        .output()
        .unwrap();
    let said = [out.stdout, out.stderr].concat();
    String::from_utf8_lossy(&said).into_owned()
}

/// Takes out of the source what `mtree` cannot tell from a pattern.
pub fn remove_patterns(source: &Path) {
    ok(Command::new("find")
        .arg(source)
        .args(["-depth", "-name", "*[[*?]*", "-exec", "rm", "-r", "{}", "+"]));
}

/// Every path, kind, mode, owner, length, time, target and digest of a tree is as the manifest tells, by lstat(2) and
/// `sha256sum` alone; and nothing else is there.
#[track_caller]
pub fn assert_tells_of(manifest: &Path, tree: &Path) {
    let mut told = entries(manifest);
    let found = ok(Command::new("find").arg(tree).args(["-printf", "%P\\0"]));
    for path in found.stdout.split(|byte| *byte == 0).skip(1) {
        if path.is_empty() {
            continue;
        }
        let there = tree.join(std::ffi::OsStr::from_bytes(path));
        let entry = told.remove(path);
        let mut entry = entry.unwrap_or_else(|| panic!("{} is not told", there.display()));
        if path == leading_folder().as_bytes() {
            entry.time = time_of(&there);
        }
        assert_entry(&entry, &there);
    }
    assert!(told.remove(b"".as_slice()).is_some());
    assert!(told.is_empty(), "{told:?}");
}

fn time_of(there: &Path) -> Time {
    let found = fs::symlink_metadata(there).unwrap();
    Time {
        seconds: found.mtime(),
        nanos: u32::try_from(found.mtime_nsec()).unwrap(),
    }
}

#[track_caller]
fn assert_entry(entry: &Entry, there: &Path) {
    let found = fs::symlink_metadata(there).unwrap();
    let told = (
        entry.mode,
        entry.uid,
        entry.gid,
        entry.time.seconds,
        i64::from(entry.time.nanos),
    );
    let is = (
        found.mode() & 0o7777,
        found.uid(),
        found.gid(),
        found.mtime(),
        found.mtime_nsec(),
    );
    assert_eq!(told, is, "{}", there.display());
    match &entry.kind {
        EntryKind::Folder => assert!(found.is_dir(), "{}", there.display()),
        EntryKind::Link { target } => {
            let target = std::ffi::OsStr::from_bytes(target);
            assert_eq!(fs::read_link(there).unwrap(), target, "{}", there.display());
        }
        EntryKind::File { size, digest } => {
            assert_eq!(*size, found.len(), "{}", there.display());
            let digest = digest.unwrap_or_else(|| panic!("{} has no digest", there.display()));
            assert_eq!(digest.to_string(), sha256sum(there), "{}", there.display());
        }
        EntryKind::CharDevice { major, minor } | EntryKind::BlockDevice { major, minor } => {
            let device = rustix::fs::makedev(*major, *minor);
            assert_eq!(device, found.rdev(), "{}", there.display());
        }
        EntryKind::Fifo | EntryKind::Socket => {}
    }
}

pub fn sha256sum(file: &Path) -> String {
    let out = ok(Command::new("sha256sum").args(["--zero", "--"]).arg(file));
    String::from_utf8_lossy(&out.stdout[..64]).into_owned()
}

/// How many files the last run of the step with these words read, from the log.
#[track_caller]
pub fn read_by(record: &serde_json::Value, words: &str) -> u64 {
    let steps = record["steps"].as_array().unwrap();
    let step = steps
        .iter()
        .find(|step| step["words"].as_str().unwrap().contains(words))
        .unwrap_or_else(|| panic!("{record}"));
    let status = step["status"].as_str().unwrap();
    let (_, read) = status
        .split_once(" listed, ")
        .unwrap_or_else(|| panic!("{status}"));
    read.split(' ')
        .next()
        .unwrap()
        .replace(',', "")
        .parse()
        .unwrap()
}

fn job(kind: &str) -> String {
    format!("kind = \"{kind}\"\nsource = [\"{{dir}}/source\"]\ndrive = \"shelf\"\n")
}

#[test]
fn the_manifest_of_each_native_generation_tells_what_lies_there() {
    let Some(world) = World::new(250) else { return };
    world.job("studio-files", &job("history"));
    make_tricky(&world.source());
    for (night, name) in NIGHTS.iter().enumerate() {
        if night > 0 {
            edit_tricky(&world.source(), u32::try_from(night).unwrap());
        }
        run_at(&world, night, "studio-files");
        let copies = world.copies("studio-files");
        assert_tells_of(&copies.join(format!("{name}.mtree")), &copies.join(name));
    }
}

#[test]
fn mtree_finds_no_difference_and_bsdtar_lists_every_name_of_a_generation_and_a_mirror() {
    let Some(world) = World::new(250) else { return };
    make_tricky(&world.source());
    remove_patterns(&world.source());
    for (kind, entry) in [("history", NIGHTS[0]), ("mirror", "current")] {
        world.job(kind, &job(kind));
        run_at(&world, 0, kind);
        let tree = world.copies(kind).join(entry);
        let manifest = world.copies(kind).join(format!("{entry}.mtree"));
        assert_eq!(mtree(&tree, &manifest), "", "{kind}");
        // its exit status tells that libarchive 3.6.2 knows no sockets
        let mut bsdtar = Command::new("bsdtar");
        let listed = bsdtar.arg("-tf").arg(&manifest).output().unwrap();
        let lines = listed.stdout.split(|byte| *byte == b'\n').count() - 1;
        assert_eq!(lines, entries(&manifest).len(), "{kind}");
    }
}

#[test]
fn the_manifest_of_a_mirror_tells_what_lies_there_after_every_night() {
    let Some(world) = World::new(150) else { return };
    world.job("photographs", &job("mirror"));
    make_tricky(&world.source());
    for night in 0..3 {
        if night > 0 {
            edit_tricky(&world.source(), u32::try_from(night).unwrap());
        }
        run_at(&world, night, "photographs");
        let copies = world.copies("photographs");
        assert_tells_of(&copies.join("current.mtree"), &copies.join("current"));
        assert_eq!(
            world.entries("photographs"),
            ["catalogue.jsonl", "current", "current.mtree"]
        );
    }
}

const MIRROR: &str = "what the mirror has new";

#[test]
fn a_mirror_is_read_only_where_something_happened_to_it() {
    let Some(world) = World::new(60) else { return };
    world.job("photographs", &job("mirror"));
    for number in 0..50 {
        world.write_source(&format!("{number}"), format!("bowl {number}"));
    }
    assert_eq!(read_by(&run_at(&world, 0, "photographs"), MIRROR), 50);
    // what changed just before it was read may have changed again, unseen: it is read once more
    std::thread::sleep(std::time::Duration::from_millis(3100));
    assert_eq!(read_by(&run_at(&world, 1, "photographs"), MIRROR), 50);
    assert_eq!(read_by(&run_at(&world, 2, "photographs"), MIRROR), 0);
    world.write_source("7", "jug");
    world.write_source("new", "lid");
    assert_eq!(read_by(&run_at(&world, 2, "photographs"), MIRROR), 2);
    let copies = world.copies("photographs");
    assert_tells_of(&copies.join("current.mtree"), &copies.join("current"));
    // without the index, everything
    let index = world
        .state()
        .join("indexes/shelf/photographs/current.index");
    fs::write(&index, "damaged").unwrap();
    assert_eq!(read_by(&run_at(&world, 2, "photographs"), MIRROR), 51);
    fs::remove_file(&index).unwrap();
    assert_eq!(read_by(&run_at(&world, 2, "photographs"), MIRROR), 51);
}

#[test]
fn a_change_behind_size_and_time_stays_out_of_a_mirror_and_of_its_manifest() {
    let Some(world) = World::new(60) else { return };
    world.job("photographs", &job("mirror"));
    world.write_source("order", "two bowls");
    run_at(&world, 0, "photographs");
    let order = world.source().join("order");
    let before = fs::metadata(&order).unwrap().modified().unwrap();
    fs::write(&order, "six jugs.").unwrap();
    let file = File::options().write(true).open(&order).unwrap();
    file.set_modified(before).unwrap();
    run_at(&world, 1, "photographs");
    let copies = world.copies("photographs");
    let tree = copies.join("current");
    let copy = tree.join(order.strip_prefix("/").unwrap());
    // rsync goes by size and time: the mirror still has the old content, and its manifest tells of the mirror
    assert_eq!(fs::read_to_string(copy).unwrap(), "two bowls");
    assert_tells_of(&copies.join("current.mtree"), &tree);
}

#[test]
fn a_history_by_rsync_takes_over_the_digests_of_what_it_shares() {
    let Some(world) = World::new(250) else { return };
    let Some(server) = Server::start(&world) else {
        return;
    };
    server.pin(&world);
    let keys = server.keys("root").join(", ");
    world.job("laptops", &format!(
        "kind = \"history\"\nsource = {{ {keys}, path = \"{{dir}}/source\" }}\ndrive = \"shelf\"\n"
    ));
    make_tricky(&world.source());
    let copies = world.copies("laptops");
    for (night, name) in NIGHTS.iter().enumerate() {
        if night > 0 {
            edit_tricky(&world.source(), u32::try_from(night).unwrap());
        }
        let record = run_at(&world, night, "laptops");
        let manifest = copies.join(format!("{name}.mtree"));
        assert_tells_of(&manifest, &copies.join(name));
        let words = if night == 0 {
            "read the copy"
        } else {
            "read what is not shared"
        };
        let read = read_by(&record, words);
        let all = entries(&manifest)
            .values()
            .filter(|entry| matches!(entry.kind, EntryKind::File { .. }))
            .count();
        assert!(
            if night == 0 {
                read == u64::try_from(all).unwrap()
            } else {
                read < 40 && read > 0
            },
            "{read} of {all}"
        );
    }
    // a file that rotted in the copy keeps the digest that it had: reading it would bless what it is now
    let rotten = "hole-at-end";
    let path = world.source().strip_prefix("/").unwrap().join(rotten);
    let shared = copies.join(NIGHTS[2]).join(&path);
    let digest = sha256sum(&shared);
    let before = fs::metadata(&shared).unwrap().modified().unwrap();
    let file = File::options().write(true).open(&shared).unwrap();
    std::os::unix::fs::FileExt::write_at(&file, b"rot", 3).unwrap();
    file.set_modified(before).unwrap();
    run_at(&world, 3, "laptops");
    let told = entries(&copies.join("20261128T023000Z.mtree"));
    let EntryKind::File { digest: told, .. } = told[path.as_os_str().as_bytes()].kind else {
        panic!()
    };
    assert_eq!(told.unwrap().to_string(), digest);
    assert_ne!(
        sha256sum(&copies.join("20261128T023000Z").join(&path)),
        digest
    );
}

#[test]
fn a_mirror_whose_update_was_cut_short_has_no_manifest() {
    use std::os::unix::fs::PermissionsExt;
    let Some(world) = World::new(60) else { return };
    world.job("photographs", &job("mirror"));
    world.write_source("bowl", "ash glaze");
    run_at(&world, 0, "photographs");
    world.write_source("jug", "celadon");
    let only_half = "#!/bin/sh\n/usr/bin/rsync \"$@\" || exit\ncase \"$*\" in *--dry-run*) ;; *) exit 11 ;; esac\n";
    fs::create_dir_all(world.path("bin")).unwrap();
    let rsync = world.path("bin/rsync");
    fs::write(&rsync, only_half).unwrap();
    fs::set_permissions(&rsync, fs::Permissions::from_mode(0o755)).unwrap();
    world.run(&["run", "photographs"], 1);
    assert_eq!(world.entries("photographs"), ["catalogue.jsonl", "current"]);
    world.full_speed();
    run_at(&world, 2, "photographs");
    let copies = world.copies("photographs");
    assert_tells_of(&copies.join("current.mtree"), &copies.join("current"));
    let facts = world.run_json(&["generations", "photographs"], 0);
    assert_eq!(facts[0]["has_manifest"], true, "{facts}");
    fs::remove_file(copies.join("current.mtree")).unwrap();
    let facts = world.run_json(&["generations", "photographs"], 0);
    assert_eq!(facts[0]["has_manifest"], false, "{facts}");
}
