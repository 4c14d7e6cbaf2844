//! A drive that goes away in the middle of a copy (`umount -l`, umount(8)).

use std::fs;
use std::time::Duration;

use crate::background::{Background, until};
use crate::folder_listing::{assert_same_tree, listing};
use crate::world::{SLOW_TAR, World};

fn bytes_below(path: &std::path::Path) -> u64 {
    let Ok(entries) = fs::read_dir(path) else {
        return fs::metadata(path).map_or(0, |meta| meta.len());
    };
    entries
        .flatten()
        .map(|entry| bytes_below(&entry.path()))
        .sum()
}

#[track_caller]
fn pull_while_copying(kind: &str, growing: &str) {
    let Some(world) = World::new(150) else { return };
    world.job(
        kind,
        &format!("kind = \"{kind}\"\nsource = [\"{{dir}}/source\"]\ndrive = \"shelf\"\n"),
    );
    world.write_source("celadon.txt", "ash glaze");
    let first = world.run_json(&["run", kind], 0);
    world.fill(20);
    world.unmount(&[]);
    let bare = listing(&world.drive());
    world.mount();
    world.slow_down("rsync", "--bwlimit=2000");
    world.slow_down("tar", SLOW_TAR);
    if kind == "history" {
        world.slow_down_writes(50);
    }

    // zstd holds back what it has until there is enough of it
    let least = if kind == "archive" { 0 } else { 500_000 };
    let mut run = Background::start(world.hayloft(&["--json", "run", kind]));
    until("something is being copied", || {
        assert!(!run.is_over(), "over before the drive could be pulled");
        let entries = world.entries(kind);
        let grown = entries.iter().filter(|name| name.ends_with(growing));
        grown
            .into_iter()
            .any(|name| bytes_below(&world.copies(kind).join(name)) >= least)
    });
    world.unmount(&["-l"]);
    let shown = run.end_within(Duration::from_secs(20));
    assert_eq!(shown.exit, Some(1), "{} {}", shown.out, shown.errors);
    let record: serde_json::Value = serde_json::from_str(&shown.out).unwrap();
    assert_eq!(record["outcome"], "drive-lost", "{record}");
    assert_eq!(
        listing(&world.drive()),
        bare,
        "nothing on the bare mount point"
    );
    assert_eq!(world.processes(), Vec::<String>::new(), "no orphans");

    world.full_speed();
    world.mount();
    if kind != "mirror" {
        let name = first["generation"].as_str().unwrap();
        assert!(
            world
                .entries(kind)
                .iter()
                .any(|entry| entry.starts_with(name))
        );
    }
    let good = world.run_json(&["run", kind], 0);
    assert_eq!(good["outcome"], "well", "{good}");
    let left: Vec<String> = world.entries(kind);
    assert!(
        !left.iter().any(|name| name.contains("partial")),
        "{left:?}"
    );
    let below = world.source().strip_prefix("/").unwrap().to_owned();
    match kind {
        "history" => assert_same_tree(
            &world.source(),
            &world
                .copies(kind)
                .join(good["generation"].as_str().unwrap())
                .join(below),
        ),
        "mirror" => assert_same_tree(
            &world.source(),
            &world.copies(kind).join("current").join(below),
        ),
        _ => {}
    }
}

#[test]
fn a_history_whose_drive_is_pulled_stops_and_goes_on_after_it_is_back() {
    pull_while_copying("history", ".partial");
}

#[test]
fn a_mirror_whose_drive_is_pulled_stops_and_goes_on_after_it_is_back() {
    pull_while_copying("mirror", "current");
}

#[test]
fn an_archive_whose_drive_is_pulled_stops_and_goes_on_after_it_is_back() {
    pull_while_copying("archive", ".partial");
}
