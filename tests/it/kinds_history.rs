//! `history` on a local drive: everything is kept, and older generations stay as they were.

use std::path::Path;
use std::process::Command;

use crate::kinds_trees::{Allowing, assert_same, edit_tricky, make_tricky, reference_copy, within};
use crate::world::{World, ok};

const HISTORY: &str = "kind = \"history\"\nsource = [\"{dir}/source\"]\ndrive = \"shelf\"\n";
const NIGHTS: [&str; 4] = [
    "20261125T023000Z",
    "20261126T023000Z",
    "20261127T023000Z",
    "20261128T023000Z",
];

/// Inode, mode, owners, length, time of change and path of everything below a folder (find(1)).
fn inodes(folder: &Path) -> String {
    let out = ok(Command::new("find")
        .arg(folder)
        .args(["-printf", r"%i %m %U %G %s %T@ %p\n"]));
    String::from_utf8_lossy(&out.stdout).into_owned()
}

#[test]
fn four_nights_of_every_kind_of_change_give_four_exact_generations() {
    let Some(world) = World::new(300) else { return };
    world.job("studio-files", HISTORY);
    make_tricky(&world.source());
    let mut earlier: Vec<(String, String)> = Vec::new();
    let mut references = Vec::new();
    for (night, name) in (0..).zip(NIGHTS) {
        if night > 0 {
            edit_tricky(&world.source(), night);
        }
        references.push(reference_copy(&world, &format!("reference-{night}")));
        let clock = format!("2026-11-{}T02:30:00Z", 25 + night);
        world.run(&["--clock", &clock, "run", "studio-files"], 0);
        for (older, before) in &earlier {
            let now = inodes(&world.copies("studio-files").join(older));
            assert_eq!(&now, before, "generation {older} after night {night}");
        }
        let made = world.copies("studio-files").join(name);
        earlier.push((name.to_owned(), inodes(&made)));
    }
    assert_eq!(world.generations("studio-files"), NIGHTS);
    for (name, reference) in NIGHTS.iter().zip(&references) {
        let tree = world.copies("studio-files").join(name);
        assert_same(
            reference,
            &within(&tree, &world.source()),
            Allowing::Nothing,
        );
    }
}

#[test]
fn an_unchanged_night_shares_every_file_and_counts_no_change() {
    let Some(world) = World::new(150) else { return };
    world.job("studio-files", HISTORY);
    make_tricky(&world.source());
    world.run(
        &["--clock", "2026-11-25T02:30:00Z", "run", "studio-files"],
        0,
    );
    let second = world.run_json(
        &["--clock", "2026-11-26T02:30:00Z", "run", "studio-files"],
        0,
    );
    let changes = &second["changes"];
    for key in ["created", "changed", "vanished", "new_bytes"] {
        assert_eq!(changes[key], 0, "{key}: {second}");
    }
    let unshared = ok(Command::new("find")
        .arg(world.copies("studio-files").join(NIGHTS[1]))
        .args(["-type", "f", "-links", "1"]));
    assert_eq!(String::from_utf8_lossy(&unshared.stdout), "");
}
