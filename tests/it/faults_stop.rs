//! SIGTERM, SIGINT and timeouts in the middle of a copy.

use std::time::{Duration, Instant};

use rustix::process::Signal;

use crate::background::{Background, until};
use crate::folder_listing::assert_same_tree;
use crate::world::{SLOW_TAR, World};

/// A world whose copies take long.
fn slow_world(kind: &str, more: &str) -> Option<World> {
    let world = World::new(100)?;
    world.job(
        kind,
        &format!(
            "kind = \"{kind}\"\nsource = [\"{{dir}}/source\"]\ndrive = \"shelf\"\n{more}\
             [[pre]]\nrun = [\"touch\", \"{{dir}}/stopped\"]\n\
             [[post]]\nrun = [\"sh\", \"-c\", \"rm {{dir}}/stopped; echo $HAYLOFT_OUTCOME > {{dir}}/told\"]\n"
        ),
    );
    world.fill(12);
    world.slow_down("rsync", "--bwlimit=1000");
    if kind == "history" {
        world.slow_down_writes(100);
    }
    world.slow_down("tar", SLOW_TAR);
    Some(world)
}

fn is_copying(world: &World, kind: &str) -> bool {
    let entries = world.entries(kind);
    entries
        .iter()
        .any(|name| name.ends_with(".partial") || name == "current")
}

/// What must hold once a run was ended before its time.
#[track_caller]
fn clean_after(world: &World, kind: &str, outcome: &str) {
    assert!(!world.path("stopped").exists(), "the post step ran");
    let told = std::fs::read_to_string(world.path("told")).unwrap();
    assert_eq!(told.trim(), outcome);
    assert_eq!(world.processes(), Vec::<String>::new(), "no orphans");
    assert_eq!(world.generations(kind), Vec::<String>::new());
    world.full_speed();
    let server = world.path(&format!("config/jobs/{kind}.toml"));
    let text = std::fs::read_to_string(&server).unwrap();
    std::fs::write(&server, text.replace("timeout = \"2 seconds\"\n", "")).unwrap();
    let good = world.run_json(&["run", kind], 0);
    // the beginning of a first mirror was in no list, which is told
    assert!(
        good["outcome"].as_str().unwrap().starts_with("well"),
        "{good}"
    );
    assert!(
        !world
            .entries(kind)
            .iter()
            .any(|name| name.contains("partial"))
    );
    if kind == "history" {
        let below = world.source().strip_prefix("/").unwrap().to_owned();
        let name = good["generation"].as_str().unwrap();
        assert_same_tree(&world.source(), &world.copies(kind).join(name).join(below));
    }
}

#[track_caller]
fn stops(kind: &str, signal: Signal) {
    let Some(world) = slow_world(kind, "") else {
        return;
    };
    let run = Background::start(world.hayloft(&["--json", "run", kind]));
    until("the copy has begun", || is_copying(&world, kind));
    let begun = Instant::now();
    run.signal(signal);
    let shown = run.end_within(Duration::from_secs(10));
    assert!(
        begun.elapsed() < Duration::from_secs(5),
        "{:?}",
        begun.elapsed()
    );
    assert_eq!(shown.exit, Some(1), "{} {}", shown.out, shown.errors);
    let record: serde_json::Value = serde_json::from_str(&shown.out).unwrap();
    assert_eq!(record["outcome"], "stopped", "{record}");
    clean_after(&world, kind, "stopped");
}

#[test]
fn sigterm_stops_a_history_cleanly() {
    stops("history", Signal::TERM);
}

#[test]
fn sigint_stops_a_mirror_cleanly() {
    stops("mirror", Signal::INT);
}

#[test]
fn sigterm_stops_an_archive_cleanly() {
    stops("archive", Signal::TERM);
}

#[test]
fn a_job_that_takes_longer_than_its_timeout_is_ended_by_name() {
    for kind in ["history", "archive"] {
        let Some(world) = slow_world(kind, "timeout = \"2 seconds\"\n") else {
            return;
        };
        let begun = Instant::now();
        let run = world.run_json(&["run", kind], 1);
        assert!(
            begun.elapsed() < Duration::from_secs(8),
            "{:?}",
            begun.elapsed()
        );
        assert_eq!(run["outcome"], "timed-out", "{run}");
        assert!(
            run["reason"].as_str().unwrap().contains("timeout of 2 s"),
            "{run}"
        );
        clean_after(&world, kind, "timed-out");
    }
}

#[test]
fn a_stopped_run_of_several_jobs_does_not_begin_the_next() {
    let Some(world) = slow_world("history", "") else {
        return;
    };
    world.job(
        "mirror",
        "kind = \"mirror\"\nsource = [\"{dir}/source\"]\ndrive = \"shelf\"\n",
    );
    let run = Background::start(world.hayloft(&["run", "history", "mirror"]));
    until("the copy has begun", || is_copying(&world, "history"));
    run.signal(Signal::TERM);
    run.end_within(Duration::from_secs(10));
    assert!(!world.copies("mirror").exists());
}
