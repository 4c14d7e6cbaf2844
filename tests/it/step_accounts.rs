//! Steps that run as another account.

use std::fs;

use crate::world::World;

const JOB: &str = "kind = \"mirror\"\nsource = [\"{dir}/source\"]\ndrive = \"shelf\"\n";

#[test]
fn a_step_runs_as_an_account_whose_group_has_another_name() {
    // Debian's `nobody` is of group `nogroup` (base-passwd, users-and-groups).
    let Some(world) = World::new(40) else { return };
    world.write_source("celadon.txt", "ash glaze");
    let step = "[[post]]\nrun = [\"id\", \"-un\"]\nuser = \"nobody\"\n[[post]]\nrun = [\"id\", \"-gn\"]\nuser = \"nobody\"\n";
    world.job("glazes", &format!("{JOB}{step}"));
    let run = world.run_json(&["run", "glazes"], 0);
    let log = fs::read_to_string(run["log_file"].as_str().unwrap()).unwrap();
    assert!(log.contains("nobody") && log.contains("nogroup"), "{log}");
}

#[test]
fn a_step_of_an_account_that_does_not_exist_stops_the_job_before_its_pre_steps() {
    let Some(world) = World::new(40) else { return };
    world.write_source("celadon.txt", "ash glaze");
    let steps = "[[pre]]\nrun = [\"touch\", \"{dir}/ran\"]\n[[post]]\nrun = [\"true\"]\nuser = \"no-potter\"\n";
    world.job("glazes", &format!("{JOB}{steps}"));
    let run = world.run_json(&["run", "glazes"], 1);
    assert!(
        run["reason"].as_str().unwrap().contains("`no-potter`"),
        "{run}"
    );
    assert!(!world.path("ran").exists());
}
