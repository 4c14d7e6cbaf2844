//! Looking at copies holds nothing up: runs go on beside it, the service starts it, a signal ends it, and mail tells of it.

use std::fs;
use std::time::Duration;

use rustix::process::Signal;
use serde_json::Value;

use crate::background::{Background, until};
use crate::service_world::{Serving, subjects_waiting};
use crate::verify_finds::{job, rot};
use crate::world::World;

const SUNDAY: &str = "2026-11-29T04:00:00Z";

fn with_reread(world: &World, more: &str, reread: &str) {
    world.write_server(more);
    let path = world.path("config/server.toml");
    let text = fs::read_to_string(&path).unwrap();
    let own = format!("reserve = \"1 MB\"\nreread = {{ {reread} }}");
    fs::write(path, text.replacen("reserve = \"1 MB\"", &own, 1)).unwrap();
}

/// Two nights of a history that keeps two days.
fn world_with_copies(more: &str, reread: &str) -> Option<World> {
    let world = World::new(100)?;
    with_reread(&world, more, reread);
    world.write_source("celadon.txt", "celadon: ash, feldspar and a little iron");
    world.fill(4);
    let keep = "[[keep]]\nevery = \"1 day\"\nfor = \"2 days\"\n";
    world.job(
        "studio-files",
        &format!("{}schedule = \"30 2 * * *\"\n{keep}", job("history")),
    );
    for day in [27, 28] {
        world.write_source("day.txt", format!("day {day}"));
        world.run(
            &[
                "--clock",
                &format!("2026-11-{day}T02:30:00Z"),
                "run",
                "studio-files",
            ],
            0,
        );
    }
    Some(world)
}

fn runs(world: &World, task: &str) -> Vec<Value> {
    let all = world.run_json(&["runs"], 0);
    let all = all.as_array().unwrap().clone();
    all.into_iter().filter(|run| run["task"] == task).collect()
}

fn begin_slice(world: &World) -> Background {
    let slice = Background::start(world.hayloft(&["--clock", SUNDAY, "verify", "--slice"]));
    until("a part that is being read", || {
        let logs = world.state().join("logs/studio-files");
        let logs = fs::read_dir(logs).into_iter().flatten().flatten();
        logs.map(|log| fs::read_to_string(log.path()).unwrap_or_default())
            .any(|text| text.contains("re-read a part") && text.contains("begun"))
    });
    slice
}

#[test]
fn a_run_goes_on_beside_it_and_a_copy_that_is_retired_meanwhile_is_skipped_with_a_note() {
    let Some(world) = world_with_copies("", "within = \"1 week\", rate = \"900 kB\"") else {
        return;
    };
    let slice = begin_slice(&world);
    let run = world.run_json(
        &["--clock", "2026-12-10T02:30:00Z", "run", "studio-files"],
        0,
    );
    assert_eq!(run["outcome"], "well", "{run:#}");
    assert_eq!(world.generations("studio-files").len(), 1);
    let shown = slice.end_within(Duration::from_secs(60));
    let text = shown.out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        text.contains("20261127T023000Z was retired or updated while it was looked at"),
        "{text}"
    );
    let found = runs(&world, "slice")[0]["proofs"].to_string();
    assert!(!found.contains("missing\",\"words"), "{found}");
    // neither is the job's own last run another one now
    let status = world.run_json(&["--clock", "2026-12-10T03:00:00Z", "status"], 0);
    assert_eq!(status["jobs"][0]["last"]["id"], run["id"]);
}

#[test]
fn a_signal_ends_it_soon_and_what_was_done_is_told_and_kept() {
    let Some(world) = world_with_copies("", "within = \"1 week\", rate = \"500 kB\"") else {
        return;
    };
    let slice = begin_slice(&world);
    until("a place in the record", || {
        let status = world
            .hayloft(&["--json", "--clock", SUNDAY, "status"])
            .output()
            .unwrap();
        let status: Value = serde_json::from_slice(&status.stdout).unwrap();
        status["drives"][0]["reread"]["round"]["bytes"]
            .as_u64()
            .unwrap_or(0)
            > 0
    });
    slice.signal(Signal::TERM);
    let shown = slice.end_within(Duration::from_secs(10));
    assert_eq!(shown.exit, Some(1), "{}", shown.out);
    let text = shown.out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        text.contains("STOPPED") && text.contains("told to stop"),
        "{text}"
    );
    let run = &runs(&world, "slice")[0];
    assert_eq!(run["outcome"], "stopped", "{run:#}");
    let before = run["proofs"][0]["bytes"].as_u64().unwrap();
    assert!(before > 0);
    with_reread(&world, "", "within = \"1 week\"");
    let rest = world.run_json(&["--clock", SUNDAY, "verify", "--slice"], 0);
    let rest: u64 = rest["proofs"]
        .as_array()
        .unwrap()
        .iter()
        .map(|one| one["bytes"].as_u64().unwrap())
        .sum();
    let sizes: Vec<u64> = ["celadon.txt", "day.txt", "day.txt"]
        .iter()
        .map(|name| fs::metadata(world.source().join(name)).unwrap().len())
        .chain((1..5).map(|n| {
            fs::metadata(world.source().join(format!("photographs/{n}.txt")))
                .unwrap()
                .len()
        }))
        .collect();
    assert_eq!(before + rest, sizes.iter().sum::<u64>());
}

#[test]
fn the_service_starts_a_part_at_its_time_and_records_it() {
    let Some(world) = world_with_copies("", "within = \"2 weeks\"") else {
        return;
    };
    // nothing was promised before the drive was first seen
    let first = Serving::start(&world, "2026-11-28T12:00:00Z");
    first.expect("STATUS=next");
    first.stop();
    let serving = Serving::start(&world, "2026-11-29T03:59:58Z");
    until("a part", || {
        runs(&world, "slice")
            .iter()
            .any(|run| run["outcome"] == "well")
    });
    serving.stop();
    let run = &runs(&world, "slice")[0];
    assert_eq!(run["trigger"]["by"], "schedule", "{run:#}");
    assert_eq!(run["trigger"]["planned"], SUNDAY);
}

#[test]
fn damage_is_always_mailed_and_a_good_look_as_the_settings_say() {
    let mail = |send: &str| {
        format!(
            "[mail]\nsmtp = \"smtp://localhost:9\"\nfrom = \"kiln <hayloft@studio.example>\"\n\
             to = [\"ines@studio.example\"]\nsend = \"{send}\"\n"
        )
    };
    let Some(world) = world_with_copies(&mail("trouble"), "within = \"2 weeks\"") else {
        return;
    };
    world.run(&["verify", "studio-files"], 0);
    assert_eq!(subjects_waiting(&world), Vec::<String>::new());
    with_reread(&world, &mail("always"), "within = \"2 weeks\"");
    world.run(&["verify", "studio-files"], 0);
    let subjects = subjects_waiting(&world);
    assert!(
        subjects[0].starts_with("kiln: studio-files verify: well, "),
        "{subjects:?}"
    );
    with_reread(&world, &mail("trouble"), "within = \"2 weeks\"");
    rot(&world, b"celadon: ash, feldspar and a little iron");
    world.run(&["verify", "studio-files"], 1);
    let subjects = subjects_waiting(&world);
    let damage = "kiln: studio-files verify: DAMAGE FOUND: in 20261128T023000Z: 1";
    assert!(
        subjects.iter().any(|one| one.starts_with(damage)),
        "{subjects:?}"
    );
}

#[test]
fn past_looks_stand_among_the_runs_and_a_second_one_at_the_same_time_is_busy() {
    let Some(world) = world_with_copies("", "within = \"1 week\", rate = \"300 kB\"") else {
        return;
    };
    world.run(&["verify", "studio-files"], 0);
    let table = world.run(&["runs"], 0).out;
    assert!(table.contains("verify: well, "), "{table}");
    let id = runs(&world, "verify")[0]["id"].as_str().unwrap().to_owned();
    let full = world.run(&["runs", &id], 0).out;
    assert!(
        full.contains("What was looked at") && full.contains("20261128T023000Z"),
        "{full}"
    );
    let slice = begin_slice(&world);
    world.run(&["--clock", SUNDAY, "verify", "--slice"], 3);
    slice.signal(Signal::INT);
    slice.end_within(Duration::from_secs(10));
}

#[test]
fn a_drive_that_is_pulled_while_it_is_read_is_lost_and_not_damaged() {
    let Some(world) = world_with_copies("", "within = \"1 week\", rate = \"500 kB\"") else {
        return;
    };
    let slice = begin_slice(&world);
    world.unmount(&["-l"]);
    let shown = slice.end_within(Duration::from_secs(20));
    world.mount();
    assert_eq!(shown.exit, Some(1), "{}", shown.out);
    let run = &runs(&world, "slice")[0];
    assert_eq!(run["outcome"], "drive-lost", "{run:#}");
    assert!(!run.to_string().contains("\"what\""), "{run:#}");
    // it begins again where it was
    with_reread(&world, "", "within = \"1 week\"");
    world.run(&["--clock", SUNDAY, "verify", "--slice"], 0);
}
