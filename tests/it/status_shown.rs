//! What `status`, `runs` and `generations` show, on a page and as JSON.

use std::fs;
use std::path::Path;

use chrono::{DateTime, Utc};
use croner::parser::CronParser;
use serde_json::Value;

use crate::service_world::{NO_SERVER, Serving, studio};
use crate::world::World;

#[track_caller]
fn assert_holds(value: &Value, fields: &[&str]) {
    let object = value.as_object().unwrap_or_else(|| panic!("{value:#}"));
    for field in fields {
        assert!(object.contains_key(*field), "no `{field}` in {value:#}");
    }
}

#[test]
fn the_status_fits_eighty_columns_with_the_longest_names() {
    let Some(world) = World::new(40) else { return };
    let long = |letter: &str| letter.repeat(64);
    world.write_server(&format!(
        "{NO_SERVER}\n[drives.{}]\npath = \"/srv/{}\"\nuuid = \"5f0c3a52-8d1e-4a55-9a4e-0c1f6d2b7e90\"\n",
        long("d"),
        long("deep/")
    ));
    world.write_source("celadon.txt", "ash glaze");
    world.job(&long("j"), &studio("schedule = \"30 2 * * *\""));
    world.job(&long("k"), &studio("[[pre]]\nrun = [\"false\"]"));
    world.run(&["--clock", "2026-11-25T02:30:00Z", "run", &long("k")], 1);
    let shown = world
        .run(&["--clock", "2026-11-25T08:00:00Z", "status"], 1)
        .out;
    for line in shown.lines() {
        assert!(line.chars().count() <= 80, "{line}");
    }
    // one that has never run is told, and when it will
    let text = shown.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        text.contains(&format!("{} has not run yet", long("j"))),
        "{shown}"
    );
    assert!(
        text.contains("NO GOOD COPY YET; next Thu 26 Nov 02:30"),
        "{shown}"
    );
    assert!(text.contains(&format!("{}: failed:", long("k"))), "{shown}");
    assert!(text.contains("Service not running"), "{shown}");
}

#[test]
fn a_time_that_passed_with_nothing_there_to_run_it_needs_attention() {
    let Some(world) = World::new(40) else { return };
    world.job("studio-files", &studio("schedule = \"30 2 * * *\""));
    let serving = Serving::start(&world, "2026-11-24T12:00:00Z");
    serving.expect("STATUS=next");
    serving.stop();
    let early = world.run(&["--clock", "2026-11-25T03:00:00Z", "status"], 1);
    assert!(
        early.out.contains("! studio-files: there is no copy yet"),
        "{}",
        early.out
    );
    assert!(!early.out.contains("it was due"), "{}", early.out);
    let shown = world
        .run(&["--clock", "2026-11-25T09:00:00Z", "status"], 1)
        .out;
    let told = "! studio-files: it was due Wed 25 Nov 02:30 and has not run; the service is";
    assert!(shown.contains(told), "{shown}");
}

#[test]
fn json_holds_the_documented_facts() {
    let Some(world) = World::new(40) else { return };
    world.write_server(NO_SERVER);
    world.write_source("celadon.txt", "ash glaze");
    world.job("studio-files", &studio("schedule = \"30 2 * * *\""));
    world.run(
        &["--clock", "2026-11-25T02:30:00Z", "run", "studio-files"],
        0,
    );
    let clock = ["--clock", "2026-11-25T02:40:00Z"];
    let ask = |words: &[&str], exit| world.run_json(&[&clock[..], words].concat(), exit);

    // its report waits for a mail server that is not there
    let status = ask(&["status"], 1);
    assert_holds(
        &status,
        &[
            "server",
            "now",
            "attention",
            "jobs",
            "drives",
            "mail",
            "service",
        ],
    );
    let job = &status["jobs"][0];
    assert_holds(job, &["name", "kind", "about", "schedule", "running_since"]);
    assert_eq!(job["last"]["outcome"], "well");
    assert_eq!(job["last_good"]["generation"], "20261125T023000Z");
    assert_eq!(job["next"], "2026-11-26T02:30:00Z");
    let drive = &status["drives"][0];
    assert_holds(drive, &["name", "address", "words", "offsite"]);
    assert_eq!(drive["ready"], "ready");
    assert_eq!(drive["space"]["reserve"], 1_000_000);
    assert_eq!(status["mail"]["waiting"], 1);

    let runs = ask(&["runs"], 0);
    let run = &runs[0];
    let fields = [
        "id",
        "server",
        "job",
        "kind",
        "trigger",
        "started",
        "ended",
        "outcome",
        "reason",
        "advice",
        "notes",
        "drive",
        "landing",
        "generation",
        "changes",
        "steps",
        "decisions",
        "space",
        "log_tail",
        "log_file",
        "next",
    ];
    assert_holds(run, &fields);
    assert_eq!(run["trigger"]["by"], "hand");
    assert_eq!(run["changes"]["new_bytes"], 9);
    assert_eq!(&ask(&["runs", run["id"].as_str().unwrap()], 0), run);

    let generations = ask(&["generations", "studio-files"], 0);
    let one = &generations[0];
    assert_holds(one, &["alone", "shared", "decision"]);
    assert!(one.to_string().contains("20261125T023000Z"), "{one:#}");
    assert_eq!(one["decision"]["kept"], true);
}

#[test]
fn the_next_time_of_every_example_job_is_that_of_croner() {
    // `croner`, an independent reading of crontab lines; the zone and date are far from any change of the clock.
    let Some(world) = World::new(40) else { return };
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("jobs.example/jobs");
    let mut lines = 0;
    for entry in fs::read_dir(root).unwrap() {
        let path = entry.unwrap().path();
        let text = fs::read_to_string(&path).unwrap();
        let schedule = text.lines().find(|line| line.starts_with("schedule ="));
        let name = path.file_stem().unwrap().to_str().unwrap();
        world.job(name, &studio(schedule.unwrap_or_default()));
        lines += usize::from(schedule.is_some());
    }
    assert!(lines >= 5, "{lines} example jobs have a schedule");
    for now in [
        "2026-11-25T02:29:59Z",
        "2026-11-27T12:00:00Z",
        "2026-12-31T23:59:00Z",
    ] {
        let status = world.run_json(&["--clock", now, "status"], 1);
        let at: DateTime<Utc> = now.parse().unwrap();
        for job in status["jobs"].as_array().unwrap() {
            let Some(line) = job["schedule"].as_str() else {
                continue;
            };
            let cron = CronParser::builder()
                .dom_and_dow(false)
                .build()
                .parse(line)
                .unwrap();
            // Lisbon keeps UTC in winter
            let next = cron.find_next_occurrence(&at, false).unwrap();
            let shown: DateTime<Utc> = job["next"].as_str().unwrap().parse().unwrap();
            assert_eq!(shown, next, "{job:#} at {now}");
        }
    }
}
