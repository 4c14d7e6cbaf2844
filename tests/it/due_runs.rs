//! `hayloft run --due`, woken by another scheduler.

use std::fs;
use std::process::Stdio;

use rustix::process::Signal;
use serde_json::Value;

use crate::service_world::{NO_SERVER, mail_waits, runs, send, studio, until};
use crate::world::{Shown, World};

fn studio_world() -> Option<World> {
    let world = World::new(40)?;
    world.write_server(NO_SERVER);
    world.write_source("celadon.txt", "ash glaze");
    Some(world)
}

#[track_caller]
fn due(world: &World, clock: &str, exit: i32) -> Shown {
    world.run(&["--clock", clock, "run", "--due"], exit)
}

fn outcomes(world: &World) -> Vec<String> {
    let words = |run: &Value| {
        format!(
            "{} {} {}",
            run["job"].as_str().unwrap(),
            run["trigger"]["by"].as_str().unwrap(),
            run["outcome"].as_str().unwrap_or("running")
        )
    };
    runs(world).iter().map(words).collect()
}

#[test]
fn what_is_due_runs_once_late_times_are_made_up_for_and_skipped_ones_told() {
    let Some(world) = studio_world() else { return };
    world.job("studio-files", &studio("schedule = \"30 2 * * *\""));
    due(&world, "2026-11-24T12:00:00Z", 0);
    assert_eq!(runs(&world).len(), 0, "nothing is due at first sight");
    due(&world, "2026-11-25T02:29:00Z", 0);
    assert_eq!(runs(&world).len(), 0, "its time has not come");
    due(&world, "2026-11-25T02:30:30Z", 0);
    due(&world, "2026-11-25T02:31:30Z", 0);
    assert_eq!(outcomes(&world), ["studio-files schedule well"]);

    world.job(
        "orders",
        &studio("schedule = \"0 4 * * *\"\ncatch_up = false"),
    );
    due(&world, "2026-11-25T05:00:00Z", 0);
    let shown = due(&world, "2026-11-28T09:00:00Z", 1);
    assert!(
        shown.out.contains("orders on kiln was MISSED"),
        "{}",
        shown.out
    );
    let mut outcomes = outcomes(&world);
    outcomes.sort();
    assert_eq!(
        outcomes,
        [
            "orders schedule missed",
            "studio-files catch-up well",
            "studio-files schedule well"
        ]
    );
    mail_waits(&world, "kiln: orders MISSED");
    due(&world, "2026-11-28T09:01:00Z", 0);
    assert_eq!(runs(&world).len(), 3);
}

#[test]
fn jobs_run_after_those_they_name_and_not_after_one_that_failed() {
    let Some(world) = studio_world() else { return };
    world.job(
        "accounts",
        &studio("schedule = \"30 2 * * *\"\nafter = [\"web\"]"),
    );
    world.job("web", &studio("schedule = \"30 2 * * *\""));
    world.job(
        "kiln-log",
        &studio("schedule = \"30 2 * * *\"\n[[pre]]\nrun = [\"false\"]"),
    );
    world.job(
        "photographs",
        &studio("schedule = \"30 2 * * *\"\nafter = [\"kiln-log\"]"),
    );
    due(&world, "2026-11-24T12:00:00Z", 0);
    let shown = due(&world, "2026-11-25T02:30:30Z", 1);
    assert!(
        shown.out.contains("after `kiln-log`, which failed"),
        "{}",
        shown.out
    );
    let outcomes = outcomes(&world);
    let place = |run: &str| {
        let found = outcomes.iter().position(|one| one == run);
        found.unwrap_or_else(|| panic!("no `{run}` in {outcomes:?}"))
    };
    assert!(place("web schedule well") < place("accounts schedule well"));
    assert!(place("kiln-log schedule failed") < place("photographs schedule waiting"));
    mail_waits(&world, "kiln: photographs NOT RUN: waiting for another job");
    due(&world, "2026-11-25T02:40:00Z", 0);
    assert_eq!(runs(&world).len(), 4);
}

#[test]
fn a_job_stays_due_while_one_it_names_is_running_by_hand() {
    let Some(world) = studio_world() else { return };
    let long = "[[pre]]\nrun = [\"sh\", \"-c\", \"echo > {dir}/stopped; exec sleep 600\"]\n";
    world.job("web", &studio(long));
    world.job(
        "accounts",
        &studio("schedule = \"30 2 * * *\"\nafter = [\"web\"]"),
    );
    due(&world, "2026-11-24T12:00:00Z", 0);
    let mut by_hand = world.hayloft(&["--clock", "2026-11-25T02:29:00Z", "run", "web"]);
    let quiet = by_hand.stdout(Stdio::null()).stderr(Stdio::null());
    let mut by_hand = quiet.spawn().unwrap();
    until("the pre step", || {
        world.path("stopped").exists().then_some(())
    });
    let shown = due(&world, "2026-11-25T02:30:30Z", 3);
    assert!(
        shown.errors.contains("`accounts` stays due"),
        "{}",
        shown.errors
    );
    send(by_hand.id(), Signal::TERM);
    by_hand.wait().unwrap();
    world.job("web", &studio(""));
    world.run(&["--clock", "2026-11-25T02:31:00Z", "run", "web"], 0);
    due(&world, "2026-11-25T02:31:30Z", 0);
    assert!(outcomes(&world).contains(&"accounts schedule well".to_owned()));
}

#[test]
fn a_run_that_was_killed_is_told_and_its_owed_steps_are_run_first() {
    let Some(world) = studio_world() else { return };
    let long = "[[pre]]\nrun = [\"sh\", \"-c\", \"echo > {dir}/stopped; exec sleep 600\"]\n\
        [[post]]\nrun = [\"sh\", \"-c\", \"echo $HAYLOFT_OUTCOME >> {dir}/started\"]\n";
    world.job("orders", &studio(long));
    let mut by_hand = world.hayloft(&["--clock", "2026-11-25T02:29:00Z", "run", "orders"]);
    let mut by_hand = by_hand.stdout(Stdio::null()).spawn().unwrap();
    until("the pre step", || {
        world.path("stopped").exists().then_some(())
    });
    by_hand.kill().unwrap();
    by_hand.wait().unwrap();
    let shown = due(&world, "2026-11-25T03:00:00Z", 1);
    assert!(
        shown.out.contains("orders on kiln was CUT SHORT"),
        "{}",
        shown.out
    );
    mail_waits(&world, "kiln: orders CUT SHORT");
    assert_eq!(
        fs::read_to_string(world.path("started")).unwrap(),
        "cut-short\n"
    );
    due(&world, "2026-11-25T03:01:00Z", 0);
}
