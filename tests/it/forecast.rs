//! `hayloft forecast`: what it foretells is held against what then really happens.

use std::io::Read;

use jiff::{SignedDuration, Timestamp};
use serde_json::Value;

use crate::world::World;

const JOB: &str = "kind = \"history\"\nsource = [\"{dir}/source\"]\ndrive = \"shelf\"\n";

fn night(number: i64) -> Timestamp {
    let first: Timestamp = "2026-03-02T02:30:00Z".parse().unwrap();
    first + SignedDuration::from_hours(24 * number)
}

/// Bytes that no file system makes smaller.
fn noise(kilobytes: u64) -> Vec<u8> {
    let mut bytes = Vec::new();
    let random = std::fs::File::open("/dev/urandom").unwrap();
    random
        .take(kilobytes * 1000)
        .read_to_end(&mut bytes)
        .unwrap();
    bytes
}

#[track_caller]
fn at(world: &World, number: i64, words: &[&str], exit: i32) -> Value {
    // some hours later for those who ask
    let is_run = words[0] == "run";
    let clock = night(number) + SignedDuration::from_hours(if is_run { 0 } else { 6 });
    let clock = clock.to_string();
    world.run_json(&[&["--clock", &clock], words].concat(), exit)
}

#[track_caller]
fn moment(value: &Value) -> Timestamp {
    let text = value
        .as_str()
        .unwrap_or_else(|| panic!("no moment: {value}"));
    text.parse().unwrap()
}

#[test]
fn a_drive_is_full_within_the_interval_that_was_foretold() {
    let Some(world) = World::new(80) else { return };
    world.job("studio-files", JOB);
    let photograph = |number: i64| {
        // between 0.6 and 2.6 MB a night, to and fro
        let size = 600 + (number * 7919 % 21) * 100;
        world.write_source(&format!("photographs/{number}"), noise(size.unsigned_abs()));
    };
    for number in 0..14 {
        photograph(number);
        at(&world, number, &["run", "studio-files"], 0);
        if number == 2 {
            let early = at(&world, number, &["forecast"], 0);
            assert_eq!(early["drives"][0]["filling"]["outlook"], "too-little-known");
        }
    }
    // no more than a month away, which needs a person
    let foretold = at(&world, 13, &["forecast"], 1);
    let filling = &foretold["drives"][0]["filling"];
    assert_eq!(filling["basis"]["runs"], 14);
    let days = filling["basis"]["days"].as_f64().unwrap();
    assert!((days - 13.0).abs() < 0.01, "{days}");
    let (earliest, latest) = (
        moment(&filling["at_reserve"]["earliest"]),
        moment(&filling["at_reserve"]["latest"]),
    );
    let status = world
        .run(&["--clock", &night(13).to_string(), "status"], 0)
        .out;
    assert!(status.contains("full in about "), "{status}");
    let full = (14..200).find(|number| {
        photograph(*number);
        let clock = night(*number).to_string();
        let mut run = world.hayloft(&["--json", "--clock", &clock, "run", "studio-files"]);
        let run = run.output().unwrap();
        let record: Value = serde_json::from_slice(&run.stdout).unwrap();
        assert!(
            ["well", "drive-full"].contains(&record["outcome"].as_str().unwrap()),
            "{record}"
        );
        record["outcome"] == "drive-full"
    });
    let full = full.expect("80 MB hold no 200 nights");
    println!("foretold {earliest} to {latest}, full on {}", night(full));
    // the run before still fitted
    assert!(
        earliest <= night(full) && night(full - 1) <= latest,
        "{earliest} {latest} {}",
        night(full)
    );
    // an interval of years would hold anything
    assert!(
        latest.duration_since(earliest) < SignedDuration::from_hours(24 * 50),
        "{earliest} {latest}"
    );
}

#[test]
fn history_reaches_as_far_under_its_cap_as_was_foretold() {
    let Some(world) = World::new(120) else { return };
    world.job("studio-files", &format!("{JOB}cap = \"24 MB\"\n"));
    for number in 0..10 {
        world.write_source(&format!("books/{number}"), noise(1000));
    }
    // a page of the books is rewritten each night, a little longer or shorter
    let rewrite = |number: i64| {
        let size = 800 + (number * 7919 % 5) * 100;
        world.write_source(
            &format!("books/{}", number % 10),
            noise(size.unsigned_abs()),
        );
        at(&world, number, &["run", "studio-files"], 0);
    };
    (0..10).for_each(rewrite);
    let foretold = at(&world, 9, &["forecast", "shelf", "--reach", "11 days"], 0);
    let history = &foretold["jobs"][0]["history"];
    let reach = &history["reach"];
    assert_eq!(reach["limit"], "cap", "{history:#}");
    (10..32).for_each(rewrite);
    let reached = at(&world, 31, &["forecast"], 0)["jobs"][0]["history"]["reach_now"]
        .as_f64()
        .unwrap();
    let (low, high) = (
        reach["days"]["low"].as_f64().unwrap(),
        reach["days"]["high"].as_f64().unwrap(),
    );
    println!("foretold {low} to {high} days, reached {reached}");
    // the oldest that is kept is a whole night younger than what no longer fits
    assert!(low - 1.0 <= reached && reached <= high, "{history:#}");
    assert!(high < 40.0, "{history:#}");
    // and the cap that was foretold for 11 days gives just about them
    let needed = history["wanted"]["needed_cap"]["likely"].as_f64().unwrap();
    println!("cap for 11 days: {needed}");
    world.job(
        "studio-files",
        &format!("{JOB}cap = \"{} bytes\"\n", needed.round()),
    );
    rewrite(32);
    let reached = at(&world, 32, &["forecast"], 0)["jobs"][0]["history"]["reach_now"]
        .as_f64()
        .unwrap();
    assert!((9.0..=13.0).contains(&reached), "{reached}");
}

#[test]
fn a_drive_or_a_reach_that_is_none_is_a_wrong_use() {
    let Some(world) = World::new(40) else { return };
    world.job("studio-files", JOB);
    let shown = world.run(&["forecast", "attic"], 2);
    assert!(
        shown
            .errors
            .contains("there is no drive `attic`\ndrives: `shelf`"),
        "{}",
        shown.errors
    );
    let shown = world.run(&["forecast", "--reach", "half a year"], 2);
    assert!(
        shown.errors.contains("such as \"2 weeks\""),
        "{}",
        shown.errors
    );
    let shown = world.run(&["forecast"], 0);
    assert!(
        shown
            .out
            .contains("too little is known yet (0 runs over 0 days)"),
        "{}",
        shown.out
    );
}
