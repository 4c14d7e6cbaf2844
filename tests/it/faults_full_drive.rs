//! A drive that has, or comes to have, too little room.

use std::fs;
use std::io::Write;
use std::process::Command;
use std::time::Duration;

use rustix::process::Signal;

use crate::background::{Background, until};
use crate::folder_listing::{assert_same_tree, listing};
use crate::world::{World, ok};

fn noise(megabytes: usize, seed: u64) -> Vec<u8> {
    let mut state = seed | 1;
    let mut bytes = Vec::with_capacity(megabytes * 1_000_000);
    while bytes.len() < megabytes * 1_000_000 {
        state ^= state << 13;
        state ^= state >> 7;
        state ^= state << 17;
        bytes.extend(state.to_le_bytes());
    }
    bytes
}

/// A drive of 40 MB with `reserve`, and a first generation of 2 MB.
fn world(kind: &str, reserve: &str) -> Option<World> {
    let world = World::new(40)?;
    let server = fs::read_to_string(world.path("config/server.toml")).unwrap();
    let server = server.replace("reserve = \"1 MB\"", &format!("reserve = \"{reserve}\""));
    fs::write(world.path("config/server.toml"), server).unwrap();
    world.job(
        kind,
        &format!("kind = \"{kind}\"\nsource = [\"{{dir}}/source\"]\ndrive = \"shelf\"\n"),
    );
    world.write_source("a-photograph", noise(2, 1));
    world.run(&["run", kind], 0);
    Some(world)
}

fn grow(world: &World, bytes: &[u8]) {
    let mut file = fs::File::options()
        .append(true)
        .open(world.source().join("z-photograph"))
        .unwrap();
    file.write_all(bytes).unwrap();
}

/// The newest generation of a history is as the source.
#[track_caller]
fn is_whole(world: &World) {
    let newest = world.generations("history").pop().unwrap();
    let below = world.source().strip_prefix("/").unwrap().to_owned();
    assert_same_tree(
        &world.source(),
        &world.copies("history").join(newest).join(below),
    );
}

#[test]
fn a_copy_that_would_run_into_the_reserve_is_refused_before_it_begins() {
    for kind in ["history", "mirror", "archive"] {
        let Some(world) = world(kind, "20 MB") else {
            return;
        };
        world.write_source("b-photograph", noise(14, 3));
        let before = listing(&world.copies(kind));
        let run = world.run_json(&["run", kind], 1);
        assert_eq!(run["outcome"], "drive-full", "{kind}: {run}");
        let mut after = listing(&world.copies(kind));
        let mut before = before;
        // the folder is looked at, and its catalogue kept as it was
        before.remove(&world.copies(kind));
        after.remove(&world.copies(kind));
        assert_eq!(after, before, "{kind}");
        fs::remove_file(world.source().join("b-photograph")).unwrap();
        world.run(&["run", kind], 0);
    }
}

fn has_leftovers(world: &World, kind: &str) -> bool {
    let names = world.entries(kind);
    names.iter().any(|name| name.contains("partial"))
}

/// Grows the source after it was measured, until the copy must be stopped.
#[track_caller]
fn outgrow(world: &World, kind: &str) -> serde_json::Value {
    world.write_source("m-photograph", noise(8, 3));
    world.write_source("z-photograph", noise(1, 4));
    let more = noise(60, 5);
    world.slow_down("rsync", "--bwlimit=6000");
    if kind == "history" {
        world.slow_down_writes(100);
    }
    let run = Background::start(world.hayloft(&["--json", "run", kind]));
    until("the copy has begun", || {
        let names = world.entries(kind);
        names.iter().any(|name| name.ends_with(".partial"))
    });
    grow(world, &more);
    let shown = run.end_within(Duration::from_secs(40));
    assert_eq!(shown.exit, Some(1), "{} {}", shown.out, shown.errors);
    world.full_speed();
    serde_json::from_str(&shown.out).unwrap()
}

#[test]
fn a_source_that_outgrows_the_reserve_is_stopped_and_the_room_given_back() {
    let Some(world) = world("history", "15 MB") else {
        return;
    };
    let before = listing(
        &world
            .copies("history")
            .join(&world.generations("history")[0]),
    );
    let run = outgrow(&world, "history");
    assert_eq!(run["outcome"], "drive-full", "{run}");
    assert!(run["reason"].as_str().unwrap().contains("reserve"), "{run}");
    let after = listing(
        &world
            .copies("history")
            .join(&world.generations("history")[0]),
    );
    assert_eq!(world.generations("history").len(), 1);
    // links to its files are new and gone again, which changes nothing but their ctime
    assert_eq!(after.len(), before.len());
    let free = rustix::fs::statvfs(world.drive()).unwrap();
    assert!(
        free.f_bavail * free.f_frsize >= 15_000_000,
        "the reserve is free again"
    );
    fs::remove_file(world.source().join("z-photograph")).unwrap();
    let good = world.run_json(&["run", "history"], 0);
    assert_eq!(good["outcome"], "well", "{good}");
    is_whole(&world);
    assert!(
        !world
            .entries("history")
            .iter()
            .any(|name| name.contains("partial"))
    );
}

/// No blocks are set apart for root, so that the very last one can be taken.
fn give_root_no_more(world: &World) {
    world.unmount(&[]);
    ok(Command::new("tune2fs")
        .args(["-m", "0"])
        .arg(world.path("shelf.img")));
    world.mount();
}

#[test]
fn a_drive_that_really_runs_full_is_told_and_the_next_run_is_good() {
    let Some(world) = world("history", "1 B") else {
        return;
    };
    give_root_no_more(&world);
    let run = outgrow(&world, "history");
    assert_eq!(run["outcome"], "drive-full", "{run}");
    fs::remove_file(world.source().join("z-photograph")).unwrap();
    let good = world.run_json(&["run", "history"], 0);
    assert_eq!(good["outcome"], "well", "{good}");
    is_whole(&world);
    assert!(!has_leftovers(&world, "history"));
}

#[test]
fn an_archive_that_shrinks_less_than_the_last_one_is_stopped_and_its_room_given_back() {
    for reserve in ["1 B", "10 MB"] {
        let Some(world) = world("archive", reserve) else {
            return;
        };
        give_root_no_more(&world);
        world.write_source("a-photograph", vec![0; 10_000_000]);
        world.run(&["run", "archive"], 0);
        let before = world.entries("archive");
        let space = rustix::fs::statvfs(world.drive()).unwrap();
        world.write_source("a-photograph", noise(60, 7));
        let run = world.run_json(&["run", "archive"], 1);
        assert_eq!(run["outcome"], "drive-full", "{run}");
        assert_eq!(world.entries("archive"), before);
        let after = rustix::fs::statvfs(world.drive()).unwrap();
        assert!(after.f_bavail + 100 > space.f_bavail, "the room is back");
        world.write_source("a-photograph", noise(1, 8));
        let good = world.run_json(&["run", "archive"], 0);
        assert_eq!(good["outcome"], "well", "{good}");
        assert!(!has_leftovers(&world, "archive"));
    }
}

#[test]
fn what_a_killed_run_left_does_not_keep_the_next_one_from_its_room() {
    let Some(world) = world("history", "1 MB") else {
        return;
    };
    world.write_source("m-photograph", noise(10, 3));
    world.write_source("n-photograph", noise(10, 4));
    world.slow_down_writes(20);
    let run = Background::start(world.hayloft(&["run", "history"]));
    until("most of it is copied", || {
        let free = rustix::fs::statvfs(world.drive()).unwrap();
        free.f_bavail * free.f_frsize < 18_000_000
    });
    run.signal(Signal::KILL);
    run.end_within(Duration::from_secs(5));
    world.full_speed();
    let good = world.run_json(&["run", "history"], 0);
    assert!(
        good["outcome"].as_str().unwrap().starts_with("well"),
        "{good}"
    );
    is_whole(&world);
    assert!(
        !world
            .entries("history")
            .iter()
            .any(|name| name.contains("partial"))
    );
}

#[test]
fn a_drive_filled_by_old_generations_gets_room_by_the_keep_rules() {
    let Some(world) = World::new(40) else { return };
    let job = "kind = \"history\"\nsource = [\"{dir}/source\"]\ndrive = \"shelf\"\n";
    world.job("history", job);
    for night in 1..=3 {
        world.write_source("a-photograph", noise(9, night));
        let clock = format!("2026-11-0{night}T02:30:00Z");
        world.run(&["--clock", &clock, "run", "history"], 0);
    }
    world.write_source("a-photograph", noise(9, 4));
    let clock = ["--clock", "2026-11-04T02:30:00Z", "run", "history"];
    assert_eq!(world.run_json(&clock, 1)["outcome"], "drive-full");
    assert_eq!(
        world.generations("history").len(),
        3,
        "no rule, nothing goes"
    );
    world.job(
        "history",
        &format!("{job}[[keep]]\nevery = \"1 day\"\nfor = \"2 days\"\n"),
    );
    let run = world.run_json(&clock, 1);
    assert_eq!(run["outcome"], "drive-full", "{run}");
    assert_eq!(run["decisions"].as_array().unwrap().len(), 3, "{run}");
    world.run(&["--clock", "2026-11-04T12:30:00Z", "run", "history"], 0);
    is_whole(&world);
}
