//! The main job from files to record, on a real drive.

use std::fs;

use crate::world::World;

const STUDIO: &str = "kind = \"history\"\nsource = [\"{dir}/source\"]\ndrive = \"shelf\"\n";

#[test]
fn a_second_night_shares_what_did_not_change_and_holds_what_did() {
    let Some(world) = World::new(40) else { return };
    world.job("studio-files", STUDIO);
    world.write_source("celadon.txt", "ash glaze");
    world.write_source("orders/1.txt", "two bowls");
    world.run(
        &["--clock", "2026-11-25T02:30:00Z", "run", "studio-files"],
        0,
    );
    world.write_source("orders/2.txt", "one vase");
    world.run(
        &["--clock", "2026-11-26T02:30:00Z", "run", "studio-files"],
        0,
    );
    assert_eq!(
        world.generations("studio-files"),
        ["20261125T023000Z", "20261126T023000Z"]
    );
    let copy = |night: &str, name: &str| {
        let source = world.source();
        world
            .copies("studio-files")
            .join(night)
            .join(source.strip_prefix("/").unwrap())
            .join(name)
    };
    assert_eq!(
        fs::read_to_string(copy("20261126T023000Z", "orders/2.txt")).unwrap(),
        "one vase"
    );
    assert!(!copy("20261125T023000Z", "orders/2.txt").exists());
    let inode = |night: &str| {
        std::os::unix::fs::MetadataExt::ino(&fs::metadata(copy(night, "celadon.txt")).unwrap())
    };
    assert_eq!(inode("20261125T023000Z"), inode("20261126T023000Z"));
}
