//! Generations that are btrfs subvolumes: retired by the file system's own command.

use std::fs;
use std::process::Command;

use crate::world::{FileSystem, World, ok};

const JOB: &str = "kind = \"history\"\nsource = [\"{dir}/source\"]\ndrive = \"shelf\"\n\n\
    [[keep]]\nevery = \"1 day\"\nfor = \"2 days\"\n";

fn run(world: &World, day: u8) -> serde_json::Value {
    let clock = format!("2026-11-{day:02}T02:30:00Z");
    world.run_json(&["--clock", &clock, "run", "orders"], 0)
}

fn btrfs(world: &World, arguments: &[&str]) -> String {
    let out = ok(Command::new("btrfs")
        .args(arguments)
        .current_dir(world.copies("orders")));
    String::from_utf8(out.stdout).unwrap()
}

/// Puts a plain folder with the same files in the place of a generation.
fn make_folder(world: &World, name: &str) {
    let copies = world.copies("orders");
    ok(Command::new("cp")
        .args(["-a", "--reflink=always", &format!("{name}/."), "new"])
        .current_dir(&copies));
    btrfs(world, &["subvolume", "delete", name]);
    fs::rename(copies.join("new"), copies.join(name)).unwrap();
}

#[test]
fn subvolumes_are_retired_by_the_command_the_report_shows_and_folders_file_by_file() {
    let Some(world) = World::with_drive(FileSystem::Btrfs, 400) else {
        return;
    };
    world.job("orders", JOB);
    for day in 1..=3 {
        world.write_source("orders.txt", format!("{day} November: 12 bowls"));
        run(&world, day);
    }
    // the oldest goes at the next run, the one behind it a day later
    make_folder(&world, "20261102T023000Z");
    btrfs(
        &world,
        &["property", "set", "20261103T023000Z", "ro", "true"],
    );
    for (day, gone, by_command) in [
        (4, "20261102T023000Z", false),
        (5, "20261103T023000Z", true),
    ] {
        let record = run(&world, day);
        assert_eq!(record["outcome"], "well", "{record}");
        let command = format!("btrfs subvolume delete -- {gone}.partial");
        let steps = record["steps"].to_string();
        assert_eq!(steps.contains(&command), by_command, "{record}");
        assert!(steps.contains(&format!("remove {gone}")), "{record}");
        assert_eq!(world.generations("orders").len(), 2, "{record}");
    }
    let left = world.entries("orders");
    assert!(
        !left.iter().any(|name| name.contains("partial")),
        "{left:?}"
    );
}

#[test]
fn a_subvolume_left_by_a_killed_run_is_removed_by_the_next_one() {
    let Some(world) = World::with_drive(FileSystem::Btrfs, 400) else {
        return;
    };
    world.job("orders", JOB);
    world.write_source("orders.txt", "12 bowls");
    run(&world, 1);
    let partial = "20261102T023000Z.partial";
    btrfs(
        &world,
        &["subvolume", "snapshot", "20261101T023000Z", partial],
    );
    let record = run(&world, 3);
    assert_eq!(record["outcome"], "well", "{record}");
    let command = format!("btrfs subvolume delete -- {partial}");
    assert!(record["steps"].to_string().contains(&command), "{record}");
    let left = world.entries("orders");
    assert!(
        !left.iter().any(|name| name.contains("partial")),
        "{left:?}"
    );
}

#[test]
fn without_the_program_subvolumes_are_removed_file_by_file() {
    let Some(world) = World::with_drive(FileSystem::Btrfs, 400) else {
        return;
    };
    world.job("orders", JOB);
    world.write_source("orders.txt", "12 bowls");
    run(&world, 1);
    btrfs(&world, &["subvolume", "create", "20261101T023000Z/inside"]);
    fs::write(
        world.copies("orders").join("20261101T023000Z/inside/more"),
        "x",
    )
    .unwrap();
    let only = world.path("only");
    fs::create_dir(&only).unwrap();
    for program in ["/usr/bin/rsync", "/usr/sbin/blkid"] {
        let name = only.join(program.rsplit('/').next().unwrap());
        std::os::unix::fs::symlink(program, name).unwrap();
    }
    let out = world
        .hayloft(&["--json", "--clock", "2026-11-08T02:30:00Z", "run", "orders"])
        .env("PATH", &only)
        .output()
        .unwrap();
    assert!(out.status.success(), "{out:?}");
    assert_eq!(world.generations("orders"), ["20261108T023000Z"]);
    assert_eq!(btrfs(&world, &["subvolume", "list", "."]), "");
}
