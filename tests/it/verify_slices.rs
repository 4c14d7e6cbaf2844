//! A drive is re-read a part at a time: every byte within the chosen time, each once in a round, whatever comes between.

use std::fs;
use std::os::unix::process::ExitStatusExt;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use jiff::{Timestamp, ToSpan};
use serde_json::Value;

use crate::verify_finds::{job, rot};
use crate::world::{World, ok};

/// A Sunday at four.
const FIRST: &str = "2026-11-29T04:00:00Z";

pub fn write_server(world: &World, reread: &str) {
    let dir = world.path("");
    let dir = dir.to_str().unwrap().trim_end_matches('/');
    world.write_server("");
    let path = world.path("config/server.toml");
    let text = fs::read_to_string(&path).unwrap();
    let text = text.replace(
        "reserve = \"1 MB\"",
        &format!("reserve = \"1 MB\"\nreread = {{ {reread} }}"),
    );
    fs::write(path, text.replace("{dir}", dir)).unwrap();
}

fn night(world: &World, job: &str, clock: &str) {
    world.run(&["--clock", clock, "run", job], 0);
}

/// Two jobs with several copies each, files of all sizes, some of them changed from night to night.
fn world_with_copies(reread: &str) -> Option<World> {
    let world = World::new(120)?;
    write_server(&world, reread);
    world.job("glazes", &job("history"));
    world.job("photographs", &job("mirror"));
    for number in 0..120_usize {
        let text = format!("{number} ").repeat(number * number + 1);
        world.write_source(&format!("glazes/{:02}/{number}.txt", number % 7), text);
    }
    for day in 24..28 {
        for number in 0..12 {
            let text = format!("day {day}, {number} ").repeat(900 * (number + 1));
            world.write_source(&format!("glazes/new/{day}-{number}.txt"), text);
        }
        night(&world, "glazes", &format!("2026-11-{day}T02:30:00Z"));
    }
    night(&world, "photographs", "2026-11-27T03:00:00Z");
    Some(world)
}

/// The bytes of all files of all copies, each inode once, by find(1).
fn bytes_on(drive: &Path) -> u64 {
    let script = format!(
        "find {} -mindepth 4 -type f -not -name '*.mtree' -not -name catalogue.jsonl -printf '%i %s\\n' \
         | sort -u | awk '{{s+=$2}} END {{print s}}'",
        drive.join("hayloft").display()
    );
    let out = ok(Command::new("sh").args(["-c", &script]));
    String::from_utf8(out.stdout)
        .unwrap()
        .trim()
        .parse()
        .unwrap()
}

fn week(number: i64) -> String {
    let first: Timestamp = FIRST.parse().unwrap();
    (first + (number * 7 * 24).hours()).to_string()
}

/// Re-reads one part; gives the bytes that its runs tell of.
#[track_caller]
fn slice(world: &World, clock: &str, exit: i32) -> u64 {
    let shown = world.run(
        &["--json", "--clock", clock, "verify", "--slice", "shelf"],
        exit,
    );
    let runs = shown
        .out
        .lines()
        .map(|line| serde_json::from_str::<Value>(line).unwrap());
    runs.flat_map(|run| run["proofs"].as_array().cloned().unwrap_or_default())
        .map(|proof| proof["bytes"].as_u64().unwrap())
        .sum()
}

fn round(world: &World, clock: &str) -> Value {
    let shown = world
        .hayloft(&["--json", "--clock", clock, "status"])
        .output()
        .unwrap();
    let status: Value = serde_json::from_slice(&shown.stdout).unwrap();
    status["drives"][0]["reread"]["round"].clone()
}

#[test]
fn thirteen_sundays_read_every_byte_once_and_copies_that_came_since_in_the_next_round() {
    let Some(world) = world_with_copies("within = \"3 months\"") else {
        return;
    };
    let at_first = bytes_on(&world.drive());
    let mut parts = Vec::new();
    for number in 0..13 {
        parts.push(slice(&world, &week(number), 0));
        if number == 4 {
            world.write_source("glazes/raku.txt", "raku ".repeat(50_000));
            night(&world, "glazes", "2026-12-28T02:30:00Z");
        }
        let round = round(&world, &week(number));
        assert_eq!(
            round["finished"].is_null(),
            number < 12,
            "{number}: {round}"
        );
        assert_eq!(round["is_late"], false);
    }
    assert_eq!(parts.iter().sum::<u64>(), at_first, "{parts:?}");
    // no part is out of all proportion: the biggest file is about a twentieth
    let most = *parts.iter().max().unwrap();
    assert!(
        most < at_first / 13 + at_first / 10,
        "{parts:?} of {at_first}"
    );
    let never = round(&world, &week(12))["never"].as_f64().unwrap();
    assert!(never > 0.0 && never < 0.2, "{never}");
    let in_next: u64 = (13..26).map(|number| slice(&world, &week(number), 0)).sum();
    assert_eq!(in_next, bytes_on(&world.drive()));
    assert!(in_next > at_first);
    let shown = world.run(&["--clock", &week(26), "status"], 0).out;
    assert!(
        shown.contains("every byte re-read within the last 91 days"),
        "{shown}"
    );
}

#[test]
fn parts_that_are_killed_lose_their_place_by_a_little_and_every_byte_is_still_read() {
    let Some(world) = world_with_copies("within = \"3 weeks\", rate = \"300 kB\"") else {
        return;
    };
    let all = bytes_on(&world.drive());
    let (mut kills, mut told) = (0, 0);
    for number in 0..3 {
        for _ in 0..2 {
            let mut child = world
                .hayloft(&["--clock", &week(number), "verify", "--slice", "shelf"])
                .stdout(Stdio::null())
                .stderr(Stdio::null())
                .spawn()
                .unwrap();
            let begun = Instant::now();
            let before = round(&world, &week(number))["bytes"].as_u64().unwrap_or(0);
            while begun.elapsed() < Duration::from_secs(20)
                && child.try_wait().unwrap().is_none()
                && round(&world, &week(number))["bytes"].as_u64().unwrap_or(0) <= before
            {
                std::thread::sleep(Duration::from_millis(20));
            }
            let _ = child.kill();
            kills += u32::from(child.wait().unwrap().signal() == Some(9));
        }
        write_server(&world, "within = \"3 weeks\"");
        told += u32::from(rest_of_part(&world, &week(number)));
        write_server(&world, "within = \"3 weeks\", rate = \"300 kB\"");
    }
    assert!(
        kills >= 3 && told >= 1,
        "{kills} were killed at work, {told} times told"
    );
    let round = round(&world, &week(2));
    assert_eq!(round["bytes"].as_u64().unwrap(), all, "{round}");
    assert!(!round["finished"].is_null(), "{round}");
}

/// The rest of this week's part. Whoever comes first tells of those that were cut short, which is trouble.
fn rest_of_part(world: &World, clock: &str) -> bool {
    let out = world
        .hayloft(&["--json", "--clock", clock, "verify", "--slice"])
        .output()
        .unwrap();
    let tells_of_kill = String::from_utf8(out.stdout)
        .unwrap()
        .contains("\"cut-short\"");
    assert_eq!(out.status.code(), Some(i32::from(tells_of_kill)));
    tells_of_kill
}

#[test]
fn a_part_is_never_read_faster_than_its_rate() {
    let Some(world) = world_with_copies("within = \"1 week\", rate = \"3 MB\"") else {
        return;
    };
    let begun = Instant::now();
    let read = slice(&world, FIRST, 0);
    let least = Duration::from_micros(read / 3);
    assert!(
        read > 5_000_000 && begun.elapsed() >= least,
        "{read} in {:?}",
        begun.elapsed()
    );
}

#[test]
fn damage_met_by_a_part_is_told_once_and_needs_attention_until_the_copy_is_well() {
    let Some(world) = world_with_copies("within = \"2 weeks\"") else {
        return;
    };
    world.write_source("celadon.txt", "celadon: ash, feldspar and a little iron");
    night(&world, "glazes", "2026-11-28T02:30:00Z");
    rot(&world, b"celadon: ash, feldspar and a little iron");
    let parts: Vec<_> = (0..2)
        .map(|number| {
            let words = ["--clock", &week(number), "verify", "--slice"];
            let out = world.hayloft(&words).output().unwrap();
            let text = String::from_utf8(out.stdout).unwrap();
            (out.status.code(), text.contains("celadon.txt"))
        })
        .collect();
    assert!(
        parts.contains(&(Some(0), false)) && parts.contains(&(Some(1), true)),
        "{parts:?}"
    );
    let status = world.run(&["--clock", &week(1), "status"], 1).out;
    assert!(
        status.contains("damage found in 20261128T023000Z: 1 damaged"),
        "{status}"
    );
    world.run(&["verify", "glazes", "20261128T023000Z"], 1);
    world.run(&["--clock", &week(1), "status"], 1);
}

#[test]
fn a_round_that_is_late_is_told_and_is_read_to_its_end_by_one_part() {
    let Some(world) = world_with_copies("within = \"4 weeks\"") else {
        return;
    };
    let all = bytes_on(&world.drive());
    let first = slice(&world, &week(0), 0);
    let status = world.run(&["--clock", &week(9), "status"], 1).out;
    assert!(status.contains("re-reading is late"), "{status}");
    assert_eq!(slice(&world, &week(9), 0), all - first);
    world.run(&["--clock", &week(9), "status"], 0);
}

#[test]
fn a_part_of_a_drive_that_is_away_or_has_no_reread_has_its_own_exit() {
    let Some(world) = world_with_copies("within = \"4 weeks\"") else {
        return;
    };
    world.run(&["verify", "--slice", "barn"], 2);
    world.unmount(&[]);
    world.run(&["verify", "--slice"], 4);
    world.mount();
    world.write_server("");
    world.run(&["verify", "--slice"], 2);
    world.run(&["verify", "--slice", "shelf"], 2);
}
