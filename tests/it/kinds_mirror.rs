//! `mirror` on a local drive: one folder, kept as the source is.

use crate::kinds_trees::{Allowing, assert_same, edit_tricky, make_tricky, within};
use crate::world::World;

const MIRROR: &str = "kind = \"mirror\"\nsource = [\"{dir}/source\"]\ndrive = \"shelf\"\n";

#[test]
fn the_mirror_equals_the_source_after_every_kind_of_change() {
    let Some(world) = World::new(150) else { return };
    world.job("photographs", MIRROR);
    make_tricky(&world.source());
    for night in 0..4 {
        if night > 0 {
            edit_tricky(&world.source(), night);
        }
        let clock = format!("2026-11-{}T02:30:00Z", 25 + night);
        world.run(&["--clock", &clock, "run", "photographs"], 0);
        let mirror = within(
            &world.copies("photographs").join("current"),
            &world.source(),
        );
        assert_same(&world.source(), &mirror, Allowing::Nothing);
    }
}
