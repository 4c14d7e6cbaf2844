//! Damage stays open for a person until what it is in was seen whole, mended, or is gone.

use crate::verify_finds::{COPY, NIGHT, job, rot};
use crate::verify_slices::write_server;
use crate::world::World;

#[test]
fn damage_in_a_mirror_stays_open_when_the_mirror_is_updated() {
    let Some(world) = World::new(40) else { return };
    let text = "celadon: ash, feldspar and a little iron";
    world.write_source("celadon.txt", text);
    world.job("mirror", &job("mirror"));
    world.run(&["--clock", NIGHT, "run", "mirror"], 0);
    rot(&world, text.as_bytes());
    world.run(&["--clock", "2026-11-25T12:00:00Z", "verify", "mirror"], 1);
    // rot leaves length and time alone, by which an update goes
    world.write_source("new.txt", "new");
    world.run(&["--clock", "2026-11-26T02:30:00Z", "run", "mirror"], 0);
    let shown = world
        .run(&["--clock", "2026-11-26T12:00:00Z", "status"], 1)
        .out;
    assert!(shown.contains("damage found in"), "{shown}");
}

#[test]
fn damage_met_by_a_part_stays_open_when_its_copy_is_retired_and_the_next_has_the_same_file() {
    let Some(world) = World::new(60) else { return };
    write_server(&world, "within = \"1 day\", schedule = \"0 4 * * *\"");
    let text = "celadon: ash, feldspar and a little iron";
    world.write_source("celadon.txt", text);
    world.job("studio-files", &job("history"));
    world.run(&["--clock", NIGHT, "run", "studio-files"], 0);
    world.run(
        &["--clock", "2026-11-26T02:30:00Z", "run", "studio-files"],
        0,
    );
    rot(&world, text.as_bytes());
    world.run(&["--clock", "2026-11-27T04:00:00Z", "verify", "--slice"], 1);
    let keep = format!(
        "{}[[keep]]\nevery = \"1 day\"\nfor = \"1 day\"\n",
        job("history")
    );
    world.job("studio-files", &keep);
    world.run(
        &["--clock", "2026-11-28T02:30:00Z", "run", "studio-files"],
        0,
    );
    assert!(!world.generations("studio-files").contains(&COPY.to_owned()));
    let shown = world
        .run(&["--clock", "2026-11-28T03:00:00Z", "status"], 1)
        .out;
    assert!(shown.contains("damage found in"), "{shown}");
}
