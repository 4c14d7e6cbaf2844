//! `hayloft verify` names what is not as the manifest says, and nothing else.

use std::collections::BTreeSet;
use std::fs;
use std::io::{Seek, SeekFrom, Write};
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::process::Command;

use serde_json::Value;

use crate::kinds_trees::make_tricky;
use crate::world::{World, ok};

pub const NIGHT: &str = "2026-11-25T02:30:00Z";
pub const COPY: &str = "20261125T023000Z";

pub fn job(kind: &str) -> String {
    format!("kind = \"{kind}\"\nsource = [\"{{dir}}/source\"]\ndrive = \"shelf\"\n")
}

/// A job with one copy of what is in the source, and its manifest.
fn with_copy(world: &World) {
    world.job("studio-files", &job("history"));
    world.run(&["--clock", NIGHT, "run", "studio-files"], 0);
}

fn verify(world: &World, more: &[&str], exit: i32) -> Value {
    let words = ["--clock", "2026-11-25T12:00:00Z", "verify", "studio-files"];
    world.run_json(&[&words[..], more].concat(), exit)
}

/// Kind and last part of the path of each finding.
fn findings(run: &Value) -> BTreeSet<(String, String)> {
    let proofs = run["proofs"].as_array().unwrap().iter();
    let all = proofs.flat_map(|proof| proof["findings"].as_array().unwrap());
    all.map(|one| {
        let path = one["path"].as_str().unwrap_or("(bytes)");
        let name = path.rsplit('/').next().unwrap();
        (one["what"].as_str().unwrap().to_owned(), name.to_owned())
    })
    .collect()
}

fn set(found: &[(&str, &str)]) -> BTreeSet<(String, String)> {
    let owned = |(what, name): &(&str, &str)| ((*what).to_owned(), (*name).to_owned());
    found.iter().map(owned).collect()
}

/// The same place in the copy as in the source.
fn in_copy(world: &World, copy: &str, name: &str) -> std::path::PathBuf {
    let source = world.source();
    let below = source.strip_prefix("/").unwrap();
    world
        .copies("studio-files")
        .join(copy)
        .join(below)
        .join(name)
}

/// Changes one byte of a file on the disk itself, beneath the file system: its time stays.
pub fn rot(world: &World, content: &[u8]) {
    world.unmount(&[]);
    let image = world.path("shelf.img");
    let bytes = fs::read(&image).unwrap();
    let places: Vec<usize> = bytes
        .windows(content.len())
        .enumerate()
        .filter(|(_, window)| *window == content)
        .map(|(at, _)| at)
        .collect();
    assert!(!places.is_empty(), "the content is not on the disk");
    let mut file = fs::OpenOptions::new().write(true).open(&image).unwrap();
    for at in places {
        file.seek(SeekFrom::Start(at as u64)).unwrap();
        file.write_all(&[content[0] ^ 0x20]).unwrap();
    }
    file.sync_all().unwrap();
    world.mount();
}

#[test]
fn a_copy_with_every_type_and_hostile_names_is_as_its_manifest_says() {
    let Some(world) = World::new(60) else { return };
    make_tricky(&world.source());
    with_copy(&world);
    let run = verify(&world, &[], 0);
    assert_eq!(run["outcome"], "well", "{run:#}");
    assert_eq!(findings(&run), set(&[]));
    let read = run["proofs"][0]["bytes"].as_u64().unwrap();
    let copy = world.copies("studio-files").join(COPY);
    // find(1) is the oracle for how much there is; names of one file are read once or as often as they are
    let size = |dedupe: &str| -> u64 {
        let script = format!(
            "find {} -type f -printf '%i %s\\n' | {dedupe} | awk '{{s+=$2}} END {{print s+0}}'",
            copy.display()
        );
        let out = ok(Command::new("sh").args(["-c", &script]));
        String::from_utf8(out.stdout)
            .unwrap()
            .trim()
            .parse()
            .unwrap()
    };
    assert!((size("sort -u")..=size("cat")).contains(&read), "{read}");
    assert!(read > 0);
}

#[test]
fn a_byte_that_rotted_on_the_disk_is_damage_and_nothing_else_is_said() {
    let Some(world) = World::new(40) else { return };
    world.write_source(
        "glazes/celadon.txt",
        "celadon: ash, feldspar and a little iron",
    );
    world.write_source("glazes/shino.txt", "shino: soda feldspar");
    world.fill(2);
    with_copy(&world);
    assert_eq!(verify(&world, &[], 0)["outcome"], "well");
    rot(&world, b"celadon: ash, feldspar and a little iron");
    let run = verify(&world, &[], 1);
    assert_eq!(
        findings(&run),
        set(&[("damaged", "celadon.txt")]),
        "{run:#}"
    );
    assert_eq!(run["outcome"], "damaged");
    let words = run["proofs"][0]["findings"][0]["words"].as_str().unwrap();
    assert_eq!(words, "its content is another, its size and time are not");
}

#[test]
fn what_somebody_wrote_removed_added_and_chmodded_is_told_apart() {
    let Some(world) = World::new(40) else { return };
    for name in [
        "kept", "written", "longer", "removed", "opened", "given", "touched", "replaced",
    ] {
        world.write_source(&format!("glazes/{name}.txt"), name);
    }
    world.write_source("empty/one.txt", "x");
    std::os::unix::fs::symlink("kept.txt", world.source().join("glazes/link")).unwrap();
    with_copy(&world);
    let there = |name: &str| in_copy(&world, COPY, name);
    fs::write(there("glazes/written.txt"), "WRITTEN").unwrap();
    fs::write(there("glazes/longer.txt"), "longer by far").unwrap();
    fs::remove_file(there("glazes/removed.txt")).unwrap();
    fs::remove_dir_all(there("empty")).unwrap();
    fs::create_dir(there("glazes/new folder")).unwrap();
    fs::write(there("glazes/new folder/added.txt"), "more").unwrap();
    fs::set_permissions(
        there("glazes/opened.txt"),
        fs::Permissions::from_mode(0o777),
    )
    .unwrap();
    ok(Command::new("chown")
        .arg("1234:5678")
        .arg(there("glazes/given.txt")));
    ok(Command::new("touch")
        .args(["-d", "2001-02-03"])
        .arg(there("glazes/touched.txt")));
    fs::remove_file(there("glazes/replaced.txt")).unwrap();
    std::os::unix::fs::symlink("/etc/passwd", there("glazes/replaced.txt")).unwrap();
    fs::remove_file(there("glazes/link")).unwrap();
    std::os::unix::fs::symlink("elsewhere", there("glazes/link")).unwrap();
    let run = verify(&world, &[], 1);
    let expected = set(&[
        ("changed", "written.txt"),
        ("changed", "longer.txt"),
        ("missing", "removed.txt"),
        ("missing", "empty"),
        ("missing", "one.txt"),
        ("extra", "new folder"),
        ("extra", "added.txt"),
        ("attributes", "opened.txt"),
        ("attributes", "given.txt"),
        ("attributes", "touched.txt"),
        ("changed", "replaced.txt"),
        ("changed", "link"),
    ]);
    let mut found = findings(&run);
    // the time of the folder that lost one tells no more than that
    found.remove(&("attributes".to_owned(), "source".to_owned()));
    assert_eq!(found, expected, "{run:#}");
    // shown with the worst first, in eighty columns
    let shown = world.run(&["verify", "studio-files"], 1).out;
    for line in shown.lines() {
        assert!(line.chars().count() <= 80, "{line}");
    }
    let at = |words: &str| {
        shown
            .find(words)
            .unwrap_or_else(|| panic!("no `{words}`: {shown}"))
    };
    assert!(
        at("missing:") < at("changed:") && at("changed:") < at("extra:"),
        "{shown}"
    );
}

#[test]
fn a_name_that_would_drive_the_terminal_is_shown_as_escapes() {
    let Some(world) = World::new(40) else { return };
    let hostile = "ink\u{1b}[2J\nwell.txt";
    world.write_source(hostile, "ink");
    with_copy(&world);
    fs::write(in_copy(&world, COPY, hostile), "blot").unwrap();
    let shown = world.run(&["verify", "studio-files"], 1);
    let all = format!("{}{}", shown.out, shown.errors);
    assert!(!all.contains('\u{1b}'), "{all}");
    assert!(all.contains("\\x1b[2J\\nwell.txt"), "{all}");
}

#[test]
fn a_damaged_manifest_is_told_and_does_not_make_every_file_extra() {
    let Some(world) = World::new(40) else { return };
    world.fill(3);
    with_copy(&world);
    let manifest = world.copies("studio-files").join(format!("{COPY}.mtree"));
    let whole = fs::read(&manifest).unwrap();
    fs::write(&manifest, &whole[..whole.len() / 2]).unwrap();
    let run = verify(&world, &[], 1);
    let found = findings(&run);
    assert!(found.iter().any(|(what, _)| what == "manifest"), "{run:#}");
    assert!(!found.iter().any(|(what, _)| what == "extra"), "{run:#}");
}

#[test]
fn a_mirror_and_an_archive_are_verified_too() {
    let Some(world) = World::new(40) else { return };
    world.write_source("celadon.txt", "celadon: ash, feldspar and a little iron");
    for kind in ["mirror", "archive"] {
        world.job(kind, &job(kind));
        world.run(&["--clock", NIGHT, "run", kind], 0);
        assert_eq!(world.run_json(&["verify", kind], 0)["outcome"], "well");
    }
    let copy = world.copies("mirror").join("current");
    let file = copy
        .join(world.source().strip_prefix("/").unwrap())
        .join("celadon.txt");
    fs::write(file, "spoilt").unwrap();
    let found = findings(&world.run_json(&["verify", "mirror"], 1));
    assert_eq!(found, set(&[("changed", "celadon.txt")]));
    let name = format!("{COPY}.tar.zst");
    let archive = world.copies("archive").join(&name);
    let mut file = fs::OpenOptions::new().append(true).open(&archive).unwrap();
    file.write_all(b"more").unwrap();
    drop(file);
    let found = findings(&world.run_json(&["verify", "archive"], 1));
    assert_eq!(found, set(&[("changed", name.as_str())]));
    fs::remove_file(archive).unwrap();
    // what the drive does not hold any more is no generation of it
    world.run(&["verify", "archive", COPY], 1);
}

#[test]
fn a_copy_without_manifest_is_not_called_well() {
    let Some(world) = World::new(40) else { return };
    world.write_source("celadon.txt", "ash glaze");
    with_copy(&world);
    fs::remove_file(world.copies("studio-files").join(format!("{COPY}.mtree"))).unwrap();
    let run = verify(&world, &[], 1);
    assert_eq!(run["outcome"], "failed", "{run:#}");
    assert!(
        run["notes"][0]
            .as_str()
            .unwrap()
            .contains("has no manifest")
    );
}

#[test]
fn a_drive_that_is_not_there_and_a_job_or_generation_that_is_unknown_have_their_own_exit() {
    let Some(world) = World::new(40) else { return };
    world.write_source("celadon.txt", "ash glaze");
    with_copy(&world);
    world.run(&["verify", "studio-files", "20261124T023000Z"], 1);
    world.run(&["verify", "nothing"], 2);
    world.run(&["verify"], 2);
    world.unmount(&[]);
    world.run(&["verify", "studio-files"], 4);
    world.mount();
}

#[test]
fn shared_files_are_read_once_for_all_copies_and_their_names_looked_at_in_each() {
    let Some(world) = World::new(40) else { return };
    world.fill(4);
    world.write_source("price-list.txt", "bowl: 12");
    world.job("studio-files", &job("history"));
    for day in 25..28 {
        world.write_source(&format!("new-{day}.txt"), format!("day {day}"));
        world.run(
            &[
                "--clock",
                &format!("2026-11-{day}T02:30:00Z"),
                "run",
                "studio-files",
            ],
            0,
        );
    }
    let unique = |folder: &Path| -> u64 {
        let script = format!(
            "find {} -type f -not -name '*.mtree' -not -name catalogue.jsonl -printf '%i %s\\n' | sort -u | awk '{{s+=$2}} END {{print s}}'",
            folder.display()
        );
        let out = ok(Command::new("sh").args(["-c", &script]));
        String::from_utf8(out.stdout)
            .unwrap()
            .trim()
            .parse()
            .unwrap()
    };
    let run = verify(&world, &["--all"], 0);
    let proofs = run["proofs"].as_array().unwrap();
    assert_eq!(proofs.len(), 3);
    let read: u64 = proofs
        .iter()
        .map(|one| one["bytes"].as_u64().unwrap())
        .sum();
    assert_eq!(read, unique(&world.copies("studio-files")));
    // a mode that was changed shows in every copy that shares the file
    let shared = in_copy(&world, COPY, "price-list.txt");
    fs::set_permissions(&shared, fs::Permissions::from_mode(0o600)).unwrap();
    let run = verify(&world, &["--all"], 1);
    for proof in run["proofs"].as_array().unwrap() {
        assert_eq!(proof["found"]["attributes"], 1, "{run:#}");
    }
}

#[test]
fn a_sample_reads_as_many_files_as_asked_for_and_the_same_ones_again_by_its_seed() {
    let Some(world) = World::new(40) else { return };
    for number in 0..60 {
        world.write_source(&format!("glazes/{number}.txt"), format!("glaze {number}"));
    }
    with_copy(&world);
    for number in 0..60 {
        fs::write(
            in_copy(&world, COPY, &format!("glazes/{number}.txt")),
            "spoilt",
        )
        .unwrap();
    }
    let run = verify(&world, &["--sample", "7"], 1);
    let chosen = findings(&run);
    assert_eq!(chosen.len(), 7);
    let id = run["id"].as_str().unwrap();
    let again = verify(&world, &["--sample", "7", "--seed", id], 1);
    assert_eq!(findings(&again), chosen);
    let other = verify(&world, &["--sample", "7", "--seed", "another"], 1);
    assert_ne!(findings(&other), chosen);
}
