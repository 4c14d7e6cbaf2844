//! Keep rules and caps over many nights of real runs, and what must never be removed.

use std::fs;
use std::process::Command;

use jiff::civil::{Date, date};

use crate::folder_listing::listing;
use crate::world::{World, ok};

const JOB: &str = "kind = \"history\"\nsource = [\"{dir}/source\"]\ndrive = \"shelf\"\n";

fn night(number: i64) -> Date {
    date(2026, 9, 1)
        .checked_add(jiff::Span::new().days(number))
        .unwrap()
}

fn run(world: &World, number: i64) -> serde_json::Value {
    let clock = format!("{}T02:30:00Z", night(number));
    world.run_json(&["--clock", &clock, "run", "orders"], 0)
}

fn name(day: Date) -> String {
    day.strftime("%Y%m%dT023000Z").to_string()
}

/// The rules by hand: seven days each night, and six weeks the last night of each week (ISO 8601: Monday
/// begins it).
fn wanted(last: i64) -> Vec<String> {
    let kept = |number: &i64| {
        let age = last - number;
        let ends_week = night(*number).weekday() == jiff::civil::Weekday::Sunday || *number == last;
        age < 7 || (age < 42 && ends_week)
    };
    (0..=last)
        .filter(kept)
        .map(|number| name(night(number)))
        .collect()
}

#[test]
fn forty_nights_leave_what_the_rules_say() {
    let Some(world) = World::new(60) else { return };
    let rules = "[[keep]]\nevery = \"1 day\"\nfor = \"1 week\"\n[[keep]]\nevery = \"1 week\"\nfor = \"6 weeks\"\n";
    world.job("orders", &format!("{JOB}{rules}"));
    for number in 0..40 {
        world.write_source("orders.txt", format!("night {number}"));
        let record = run(&world, number);
        assert_eq!(record["outcome"], "well", "{record}");
        if number % 8 == 7 || number == 39 {
            assert_eq!(
                world.generations("orders"),
                wanted(number),
                "night {number}"
            );
        }
    }
    let listed = world.run_json(&["generations", "orders"], 0);
    assert_eq!(listed.as_array().unwrap().len(), wanted(39).len());
}

/// Bytes that the job's folder takes, by du(1).
fn taken(world: &World) -> u64 {
    let out = ok(Command::new("du")
        .args(["-s", "-B1"])
        .arg(world.copies("orders")));
    let text = String::from_utf8(out.stdout).unwrap();
    text.split_whitespace().next().unwrap().parse().unwrap()
}

#[test]
fn the_cap_holds_every_night_and_the_newest_is_never_retired() {
    let Some(world) = World::new(60) else { return };
    world.job("orders", &format!("{JOB}cap = \"12 MB\"\n"));
    for number in 0..14 {
        // the tenth night alone is over the cap
        let megabytes = if number == 9 { 15 } else { 3 };
        let byte = u8::try_from(number).unwrap();
        world.write_source("photograph", vec![byte; megabytes * 1_000_000]);
        let record = run(&world, number);
        let kept = world.generations("orders");
        assert_eq!(kept.last(), Some(&name(night(number))), "{record}");
        assert!(
            taken(&world) <= 12_000_000 || kept.len() == 1,
            "{} {kept:?}",
            taken(&world)
        );
    }
    assert!(world.generations("orders").len() >= 3);
}

/// An old generation with something of a person's mounted inside is left as it is.
#[track_caller]
fn stays(world: &World) {
    run(world, 0);
    let inside = world.copies("orders").join(name(night(0))).join("mnt");
    fs::create_dir(&inside).unwrap();
    fs::create_dir(world.path("precious")).unwrap();
    fs::write(world.path("precious/deed"), "the only one").unwrap();
    let precious = listing(&world.path("precious"));
    ok(Command::new("mount")
        .arg("--bind")
        .arg(world.path("precious"))
        .arg(&inside));
    let record = run(world, 5);
    let after = run(world, 6);
    ok(Command::new("umount").arg(&inside));
    assert_eq!(listing(&world.path("precious")), precious);
    for record in [record, after] {
        assert_eq!(record["outcome"], "well-with-notes", "{record}");
        assert!(record["notes"].to_string().contains("mounted"), "{record}");
    }
    run(world, 7);
    assert_eq!(world.generations("orders"), [name(night(7))]);
    assert!(
        !world
            .entries("orders")
            .iter()
            .any(|name| name.contains("partial"))
    );
    assert_eq!(listing(&world.path("precious")), precious);
}

#[test]
fn a_mount_inside_an_old_generation_keeps_it_from_being_removed() {
    let Some(world) = World::new(20) else { return };
    world.job(
        "orders",
        &format!("{JOB}[[keep]]\nevery = \"1 day\"\nfor = \"1 day\"\n"),
    );
    stays(&world);
}

#[test]
fn a_mount_inside_is_seen_through_a_link_to_the_drive() {
    let Some(world) = World::new(20) else { return };
    std::os::unix::fs::symlink(world.drive(), world.path("link")).unwrap();
    let server = world.path("config/server.toml");
    let text = fs::read_to_string(&server).unwrap();
    fs::write(&server, text.replace("/drive\"", "/link\"")).unwrap();
    world.job(
        "orders",
        &format!("{JOB}[[keep]]\nevery = \"1 day\"\nfor = \"1 day\"\n"),
    );
    stays(&world);
}
