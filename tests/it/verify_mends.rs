//! Damage is offered back from where the right content lies; it is put in place at an explicit word, and only then.

use std::collections::BTreeSet;
use std::fs;
use std::io::{Read, Seek, SeekFrom, Write};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::process::Command;

use hayloft::prove::manifest::Digest;
use serde_json::Value;

use crate::verify_finds::job;
use crate::world::{FileSystem, World, ok};

/// Changes a byte of one file on the disk itself, beneath the file system.
pub fn rot_file(world: &World, file: &Path) {
    // filefrag(8): `   0:        0..       0:       1234..      1234:      1: …`
    let out = ok(Command::new("filefrag").args(["-e", "-b4096"]).arg(file));
    let text = String::from_utf8(out.stdout).unwrap();
    let line = text
        .lines()
        .find(|line| line.trim_start().starts_with("0:"))
        .unwrap();
    let block: u64 = line
        .split(':')
        .nth(2)
        .unwrap()
        .split("..")
        .next()
        .unwrap()
        .trim()
        .parse()
        .unwrap();
    world.unmount(&[]);
    let mut image = fs::OpenOptions::new()
        .read(true)
        .write(true)
        .open(world.path("shelf.img"))
        .unwrap();
    let mut byte = [0];
    image.seek(SeekFrom::Start(block * 4096 + 1)).unwrap();
    image.read_exact(&mut byte).unwrap();
    image.seek(SeekFrom::Start(block * 4096 + 1)).unwrap();
    image.write_all(&[byte[0] ^ 1]).unwrap();
    image.sync_all().unwrap();
    drop(image);
    world.mount();
}

fn in_copy(world: &World, job: &str, copy: &str, name: &str) -> PathBuf {
    let source = world.source();
    world
        .copies(job)
        .join(copy)
        .join(source.strip_prefix("/").unwrap())
        .join(name)
}

/// Three nights of a history, and a mirror of the same; the file `celadon.txt` is one in all three copies.
fn world_with_copies() -> Option<World> {
    let world = World::new(60)?;
    world.write_source(
        "glazes/celadon.txt",
        "celadon: ash and feldspar\n".repeat(300),
    );
    world.write_source("glazes/shino.txt", "shino: soda feldspar\n".repeat(300));
    fs::hard_link(
        world.source().join("glazes/celadon.txt"),
        world.source().join("same.txt"),
    )
    .unwrap();
    ok(Command::new("setfattr")
        .args(["-n", "user.kiln", "-v", "gas"])
        .arg(world.source().join("same.txt")));
    ok(Command::new("setfacl")
        .args(["-m", "u:1234:r"])
        .arg(world.source().join("same.txt")));
    ok(Command::new("chown")
        .arg("1000:1001")
        .arg(world.source().join("same.txt")));
    world.job("studio-files", &job("history"));
    world.job("whole", &job("mirror"));
    for day in 24..27 {
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
    world.run(&["--clock", "2026-11-26T03:00:00Z", "run", "whole"], 0);
    Some(world)
}

const COPIES: [&str; 3] = ["20261124T023000Z", "20261125T023000Z", "20261126T023000Z"];

fn verify(world: &World, more: &[&str], exit: i32) -> Value {
    world.run_json(&[&["verify", "studio-files"], more].concat(), exit)
}

/// What a program of its own sees of a file: attributes, lists of access, content.
fn seen(file: &Path) -> String {
    let stat = ok(Command::new("stat")
        .args(["-c", "%a %u %g %s %.9Y"])
        .arg(file));
    let attributes = ok(Command::new("getfattr")
        .args(["-d", "-m", "-", "--absolute-names"])
        .arg(file));
    let text = |bytes: Vec<u8>| String::from_utf8(bytes).unwrap();
    let attributes = text(attributes.stdout);
    let values: BTreeSet<&str> = attributes
        .lines()
        .filter(|line| line.contains('='))
        .collect();
    format!("{} {values:?} {}", text(stat.stdout), sha256sum(file))
}

/// The digest of a file by the program of coreutils.
fn sha256sum(file: &Path) -> Digest {
    let out = ok(Command::new("sha256sum").args(["-z", "--"]).arg(file));
    let hex = std::str::from_utf8(&out.stdout[..64]).unwrap();
    let mut digest = [0; 32];
    for (byte, at) in digest.iter_mut().zip((0..).step_by(2)) {
        *byte = u8::from_str_radix(&hex[at..at + 2], 16).unwrap();
    }
    Digest(digest)
}

#[test]
fn damage_in_a_shared_file_is_mended_in_every_copy_from_another_jobs_copy() {
    let Some(world) = world_with_copies() else {
        return;
    };
    let names: Vec<PathBuf> = COPIES
        .iter()
        .flat_map(|copy| {
            ["glazes/celadon.txt", "same.txt"]
                .map(|name| in_copy(&world, "studio-files", copy, name))
        })
        .collect();
    let before = seen(&names[0]);
    rot_file(&world, &names[0]);
    assert_ne!(seen(&names[5]), before);
    // without the word nothing is written
    let run = verify(&world, &["--all"], 1);
    let good = &run["proofs"][0]["findings"][0]["good"];
    assert_eq!(good["job"], "whole", "{run:#}");
    assert_ne!(seen(&names[5]), before);
    let shown = world.run(&["verify", "studio-files", "--all", "--mend"], 0);
    assert!(shown.errors.contains("to be replaced:"), "{}", shown.errors);
    let inodes: BTreeSet<u64> = names
        .iter()
        .map(|name| fs::metadata(name).unwrap().ino())
        .collect();
    assert_eq!(inodes.len(), 1, "all names share the new file");
    for name in &names {
        assert_eq!(seen(name), before, "{}", name.display());
    }
    // folders have their times again, and nothing is left beside
    let run = verify(&world, &["--all"], 0);
    assert_eq!(run["outcome"], "well", "{run:#}");
    world.run(&["status"], 0);
    let leftovers = ok(Command::new("find")
        .arg(world.drive())
        .args(["-name", "*.partial"]));
    assert!(leftovers.stdout.is_empty());
}

#[test]
fn what_was_changed_or_removed_comes_back_and_what_has_no_good_copy_is_left_as_it_is() {
    let Some(world) = world_with_copies() else {
        return;
    };
    let there = |name: &str| in_copy(&world, "studio-files", COPIES[2], name);
    let shino = there("glazes/shino.txt");
    let before = seen(&shino);
    fs::remove_file(&shino).unwrap();
    let run = verify(&world, &["--mend"], 0);
    assert_eq!(run["proofs"][0]["findings"][0]["mended"], true, "{run:#}");
    assert_eq!(seen(&shino), before);
    assert_eq!(verify(&world, &[], 0)["outcome"], "well");
    // now nowhere is a good one
    fs::remove_dir_all(world.copies("whole").join("current")).unwrap();
    let celadon = there("glazes/celadon.txt");
    rot_file(&world, &celadon);
    let rotten = seen(&celadon);
    let run = verify(&world, &["--mend"], 1);
    assert!(run["proofs"][0]["findings"][0]["good"].is_null(), "{run:#}");
    assert_eq!(seen(&celadon), rotten);
    let status = world.run(&["status"], 1).out;
    assert!(
        status.contains("damage found in 20261126T023000Z"),
        "{status}"
    );
}

#[test]
fn a_copy_that_is_itself_damaged_is_not_offered() {
    let Some(world) = world_with_copies() else {
        return;
    };
    rot_file(&world, &in_copy(&world, "whole", "current", "same.txt"));
    rot_file(
        &world,
        &in_copy(&world, "studio-files", COPIES[0], "same.txt"),
    );
    let run = verify(&world, &[], 1);
    for finding in run["proofs"][0]["findings"].as_array().unwrap() {
        assert!(finding["good"].is_null(), "{finding:#}");
    }
}

#[test]
fn the_commands_that_are_told_bring_a_good_copy_and_put_it_back() {
    let Some(world) = world_with_copies() else {
        return;
    };
    let shino = in_copy(&world, "studio-files", COPIES[1], "glazes/shino.txt");
    let before = seen(&shino);
    rot_file(&world, &shino);
    let shown = world.run(&["verify", "studio-files", COPIES[1]], 1).out;
    let run = verify(&world, &[COPIES[1]], 1);
    assert_eq!(run["proofs"][0]["findings"][0]["what"], "damaged");
    // lines are folded at their words: a quoted block without its margin is the commands again
    let block = shown.split("put them back by hand\n").nth(1).unwrap();
    let lines = block.lines().take_while(|line| line.starts_with("  |"));
    let mut text = String::new();
    for line in lines {
        match line[4..].strip_prefix("  ") {
            // a word that is longer than a line is broken where the line is full
            Some(more) => text.push_str(more),
            None => text = text + "\n" + &line[4..],
        }
        if line.chars().count() < 78 {
            text.push(' ');
        }
    }
    let scratch = world.path("scratch");
    let program = env!("CARGO_BIN_EXE_hayloft");
    let config = world.path("config");
    let script = text
        .replace(
            "hayloft restore",
            &format!("{program} --config {} restore", config.display()),
        )
        .replace("/root/good-copy", scratch.to_str().unwrap());
    ok(Command::new("sh").args(["-ec", &script]));
    assert_eq!(seen(&shino), before, "{script}");
    assert_eq!(verify(&world, &["--all"], 0)["outcome"], "well");
}

#[test]
fn nothing_is_mended_while_a_run_works_on_the_drive() {
    let Some(world) = world_with_copies() else {
        return;
    };
    let shino = in_copy(&world, "studio-files", COPIES[2], "glazes/shino.txt");
    fs::remove_file(&shino).unwrap();
    let locks = world.state().join("locks");
    let lock = fs::read_dir(locks)
        .unwrap()
        .map(|entry| entry.unwrap().path());
    let lock = lock
        .into_iter()
        .find(|path| {
            path.file_name()
                .unwrap()
                .to_str()
                .unwrap()
                .starts_with("drive-")
        })
        .unwrap();
    let mut held = Command::new("flock")
        .arg(&lock)
        .args(["sleep", "60"])
        .spawn()
        .unwrap();
    std::thread::sleep(std::time::Duration::from_millis(300));
    let run = verify(&world, &["--mend"], 1);
    held.kill().unwrap();
    held.wait().unwrap();
    assert!(!shino.exists());
    assert!(
        run["notes"].to_string().contains("nothing was replaced"),
        "{run:#}"
    );
}

#[test]
fn a_file_that_the_system_cannot_read_is_named_and_the_rest_is_still_looked_at() {
    // btrfs keeps a checksum of each block: one that does not fit is EIO for whoever reads it
    let made = World::with_drive(FileSystem::Btrfs, 400);
    let Some(world) = made else { return };
    world.write_source(
        "glazes/celadon.txt",
        "celadon: ash and feldspar\n".repeat(3000),
    );
    world.fill(3);
    world.write_source("price-list.txt", "bowl: 12\n".repeat(3000));
    world.job("studio-files", &job("history"));
    world.run(
        &["--clock", "2026-11-24T02:30:00Z", "run", "studio-files"],
        0,
    );
    rot_file(
        &world,
        &in_copy(&world, "studio-files", COPIES[0], "glazes/celadon.txt"),
    );
    fs::write(
        in_copy(&world, "studio-files", COPIES[0], "price-list.txt"),
        "bowl: 13\n".repeat(3000),
    )
    .unwrap();
    let run = verify(&world, &[], 1);
    let found = run["proofs"][0]["found"].clone();
    assert_eq!(
        (&found["unreadable"], &found["changed"]),
        (&1.into(), &1.into()),
        "{run:#}"
    );
    let findings = run["proofs"][0]["findings"].as_array().unwrap();
    let unreadable = findings
        .iter()
        .find(|one| one["what"] == "unreadable")
        .unwrap();
    assert!(
        unreadable["words"]
            .as_str()
            .unwrap()
            .contains("Input/output error"),
        "{unreadable}"
    );
    assert!(
        unreadable["path"]
            .as_str()
            .unwrap()
            .ends_with("celadon.txt")
    );
}
