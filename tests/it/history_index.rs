//! The index of a job's source on the server: only ever a help. What is wrong with it costs time, and nothing else.

use std::fs;
use std::path::PathBuf;

use crate::folder_listing::assert_same_tree;
use crate::world::World;

fn index(world: &World) -> PathBuf {
    let folder = world.state().join("indexes/shelf/orders");
    let mut files: Vec<PathBuf> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .collect();
    assert_eq!(files.len(), 1, "{files:?}");
    files.remove(0)
}

/// A night on which one file changed. Gives the run's record.
#[track_caller]
fn night(world: &World, day: u8) -> serde_json::Value {
    world.write_source("shelf/order-0.txt", format!("{day} November"));
    let clock = format!("2026-11-{day:02}T02:30:00Z");
    let run = world.run_json(&["--clock", &clock, "run", "orders"], 0);
    let newest = world.generations("orders").pop().unwrap();
    let below = world.source().strip_prefix("/").unwrap().to_owned();
    let copy = world.copies("orders").join(newest).join(below);
    assert_same_tree(&world.source(), &copy);
    run
}

fn world() -> Option<World> {
    let world = World::new(100)?;
    world.job(
        "orders",
        "kind = \"history\"\nsource = [\"{dir}/source\"]\ndrive = \"shelf\"\n",
    );
    for number in 0..40 {
        world.write_source(&format!("shelf/order-{number}.txt"), vec![b'x'; 20_000]);
    }
    night(&world, 1);
    Some(world)
}

#[track_caller]
fn shares_the_rest(run: &serde_json::Value) {
    assert_eq!(run["changes"]["new_bytes"], 10, "{run}");
    assert_eq!(run["changes"]["changed"], 1, "{run}");
}

#[test]
fn without_its_index_a_source_is_read_once_and_still_shares_what_is_the_same() {
    let Some(world) = world() else { return };
    fs::remove_dir_all(world.state().join("indexes")).unwrap();
    let run = night(&world, 2);
    shares_the_rest(&run);
    assert!(
        run["steps"].to_string().contains("read every file"),
        "{run}"
    );
    let run = night(&world, 3);
    shares_the_rest(&run);
    assert!(
        !run["steps"].to_string().contains("read every file"),
        "{run}"
    );
}

#[test]
fn a_damaged_index_is_not_believed_wherever_the_damage_is() {
    let Some(world) = world() else { return };
    let mut day = 1;
    for part in [2, 3, 4, 5, 9] {
        day += 1;
        let file = index(&world);
        let mut bytes = fs::read(&file).unwrap();
        let place = bytes.len() * (part - 1) / 9;
        bytes[place] ^= 0x10;
        fs::write(&file, bytes).unwrap();
        shares_the_rest(&night(&world, day));
    }
    let file = index(&world);
    let half = fs::metadata(&file).unwrap().len() / 2;
    fs::File::options()
        .write(true)
        .open(&file)
        .unwrap()
        .set_len(half)
        .unwrap();
    shares_the_rest(&night(&world, day + 1));
}

#[test]
fn without_index_and_with_a_damaged_manifest_everything_is_copied_and_that_is_told() {
    let Some(world) = world() else { return };
    fs::remove_dir_all(world.state().join("indexes")).unwrap();
    let manifest = world.copies("orders").join("20261101T023000Z.mtree");
    let text = fs::read_to_string(&manifest).unwrap();
    fs::write(&manifest, text.replace("size=20000", "size=20001")).unwrap();
    let run = night(&world, 2);
    assert!(
        run["notes"].to_string().contains("could not be read"),
        "{run}"
    );
    assert!(
        run["changes"]["new_bytes"].as_u64().unwrap() > 700_000,
        "{run}"
    );
    shares_the_rest(&night(&world, 3));
}
