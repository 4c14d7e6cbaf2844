//! The record or the drive's catalogue damaged or gone: the next run works, and every generation is listed.

use std::fs;
use std::path::Path;
use std::process::Command;

use crate::world::{World, ok};

const KINDS: [&str; 3] = ["history", "mirror", "archive"];

/// Two nights of each kind.
fn world() -> Option<World> {
    let world = World::new(40)?;
    world.write_source("celadon.txt", "ash glaze");
    for kind in KINDS {
        let text = format!("kind = \"{kind}\"\nsource = [\"{{dir}}/source\"]\ndrive = \"shelf\"\n");
        world.job(kind, &text);
        for night in ["2026-11-25T02:30:00Z", "2026-11-26T02:30:00Z"] {
            world.run(&["--clock", night, "run", kind], 0);
        }
    }
    Some(world)
}

fn names(world: &World, kind: &str) -> Vec<String> {
    let list = world.run_json(&["generations", kind], 0);
    let list = list.as_array().unwrap().iter();
    list.map(|one| one["generation"]["name"].as_str().unwrap().to_owned())
        .collect()
}

/// The next run of every kind works, and lists what was there and what it made.
#[track_caller]
fn goes_on(world: &World, said: &str) {
    let mut words = String::new();
    for kind in KINDS {
        let clock = ["--clock", "2026-11-27T02:30:00Z", "run", kind];
        let shown = world.run(&clock, 0);
        words.push_str(&shown.out);
        words.push_str(&shown.errors);
        let expected = match kind {
            "mirror" => vec!["20261127T023000Z"],
            _ => vec!["20261127T023000Z", "20261126T023000Z", "20261125T023000Z"],
        };
        assert_eq!(names(world, kind), expected, "{kind}");
    }
    assert!(words.contains(said), "`{said}` is not in: {words}");
}

fn spoil(path: &Path, how: &str) {
    let length = usize::try_from(fs::metadata(path).unwrap().len()).unwrap();
    match how {
        "truncated" => fs::File::options()
            .write(true)
            .open(path)
            .unwrap()
            .set_len(length as u64 * 2 / 3)
            .unwrap(),
        "empty" => fs::write(path, "").unwrap(),
        "zeros" => fs::write(path, vec![0; length]).unwrap(),
        "garbage" => fs::write(path, b"\xffclay\x00".repeat(length / 6 + 1)).unwrap(),
        _ => fs::remove_file(path).unwrap(),
    }
}

#[test]
fn a_damaged_or_missing_database_costs_no_generation() {
    for how in ["truncated", "empty", "zeros", "garbage", "missing"] {
        let Some(world) = world() else { return };
        let database = world.state().join("hayloft.db");
        for companion in ["hayloft.db-wal", "hayloft.db-shm"] {
            let _ = fs::remove_file(world.state().join(companion));
        }
        spoil(&database, how);
        let said = if how == "missing" {
            "was missing"
        } else {
            "was damaged"
        };
        goes_on(&world, said);
    }
}

#[test]
fn a_damaged_or_missing_catalogue_costs_no_generation() {
    for how in ["truncated", "empty", "zeros", "garbage", "missing"] {
        let Some(world) = world() else { return };
        for kind in KINDS {
            spoil(&world.copies(kind).join("catalogue.jsonl"), how);
        }
        let said = match how {
            "missing" | "empty" => "",
            _ => "catalogue.jsonl:",
        };
        goes_on(&world, said);
        for kind in KINDS {
            let text = fs::read_to_string(world.copies(kind).join("catalogue.jsonl")).unwrap();
            assert!(
                text.contains("20261127T023000Z"),
                "{how}: written again: {text}"
            );
        }
    }
}

#[test]
fn a_catalogue_that_is_no_file_or_far_too_long_costs_no_generation() {
    let Some(world) = world() else { return };
    for kind in KINDS {
        let catalogue = world.copies(kind).join("catalogue.jsonl");
        fs::remove_file(&catalogue).unwrap();
        if kind == "history" {
            fs::create_dir(&catalogue).unwrap();
        } else {
            fs::File::create(&catalogue)
                .unwrap()
                .set_len(20 << 20)
                .unwrap();
        }
    }
    goes_on(&world, "catalogue.jsonl");
}

#[test]
fn both_lists_gone_and_the_generations_are_taken_in_from_the_drive() {
    let Some(world) = world() else { return };
    fs::remove_dir_all(world.state()).unwrap();
    for kind in KINDS {
        fs::remove_file(world.copies(kind).join("catalogue.jsonl")).unwrap();
    }
    goes_on(&world, "taken in");
}

#[test]
fn a_state_folder_that_cannot_be_written_is_told_and_nothing_is_copied() {
    let Some(world) = world() else { return };
    let state = world.state();
    ok(Command::new("mount").arg("--bind").arg(&state).arg(&state));
    ok(Command::new("mount")
        .args(["-o", "remount,bind,ro"])
        .arg(&state));
    let before = world.entries("history");
    let shown = world.run(&["run", "history"], 1);
    let listed = world.hayloft(&["generations", "history"]).output().unwrap();
    ok(Command::new("umount").arg(&state));
    assert!(
        shown.errors.contains(state.to_str().unwrap()),
        "{}",
        shown.errors
    );
    assert_eq!(world.entries("history"), before);
    assert_eq!(listed.status.code(), Some(1));
    world.run(&["run", "history"], 0);
}
