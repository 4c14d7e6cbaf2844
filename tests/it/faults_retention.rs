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

/// One photograph, all new, as every night.
fn photograph(world: &World, number: i64, megabytes: usize) {
    // not of zeros, which take no space
    let byte = u8::try_from(number + 1).unwrap();
    world.write_source("photograph", vec![byte; megabytes * 1_000_000]);
}

#[test]
fn the_cap_holds_every_night_and_the_newest_is_never_retired() {
    let Some(world) = World::new(60) else { return };
    world.job("orders", &format!("{JOB}cap = \"10 MB\"\n"));
    for number in 0..14 {
        photograph(&world, number, 3);
        let record = run(&world, number);
        let kept = world.generations("orders");
        assert_eq!(kept.last(), Some(&name(night(number))), "{record}");
        assert!(taken(&world) <= 10_000_000, "{kept:?}");
    }
    let kept = world.generations("orders");
    assert_eq!(kept.len(), 3);
    // the gaps widen with age: not the last three nights
    assert_ne!(kept[0], name(night(11)), "{kept:?}");
}

#[test]
fn a_cap_that_was_lowered_shows_in_check_before_anything_goes_and_then_asks() {
    let Some(world) = World::new(60) else { return };
    world.job("orders", &format!("{JOB}cap = \"20 MB\"\n"));
    for number in 0..5 {
        photograph(&world, number, 3);
        run(&world, number);
    }
    let check = |world: &World| {
        let clock = format!("{}T12:00:00Z", night(4));
        let facts = world.run_json(&["--clock", &clock, "check"], 0);
        facts["jobs"][0]["retires"].clone()
    };
    assert_eq!(check(&world), serde_json::Value::Null);
    world.job("orders", &format!("{JOB}cap = \"13 MB\"\n"));
    assert_eq!(
        check(&world),
        "the next run retires 1 of 5 generations; `hayloft generations orders` shows which"
    );
    world.job("orders", &format!("{JOB}cap = \"4 MB\"\n"));
    let words = check(&world);
    let words = words.as_str().unwrap();
    assert!(
        words.contains("4 of 5 generations would be retired at once"),
        "{words}"
    );
    run(&world, 5);
    assert_eq!(world.generations("orders").len(), 6);
}

/// What has outgrown the cap by one night may be encrypted by somebody: the good copies stay until a person looks.
#[test]
fn what_would_take_most_of_the_history_is_held_back_until_a_person_agrees() {
    let Some(world) = World::new(60) else { return };
    world.job("orders", &format!("{JOB}cap = \"14 MB\"\n"));
    for number in 0..4 {
        photograph(&world, number, 3);
        run(&world, number);
    }
    assert_eq!(world.generations("orders").len(), 4);
    photograph(&world, 4, 13);
    let held = run(&world, 4);
    assert_eq!(held["outcome"], "well-with-notes", "{held}");
    let words = "4 of 5 generations would be retired at once; none was";
    assert!(held["notes"].to_string().contains(words), "{held}");
    assert_eq!(world.generations("orders").len(), 5);
    let status = world.run(&["status"], 1);
    assert!(status.out.contains("--accept-retiring"), "{}", status.out);

    let clock = format!("{}T02:30:00Z", night(5));
    let dry = ["--clock", &clock, "run", "orders", "--dry-run"];
    let plan = world.run(&dry, 0);
    assert!(plan.out.contains("--accept-retiring"), "{}", plan.out);
    assert!(!plan.out.contains("Would be retired"), "{}", plan.out);
    let plan = world.run(&[&dry[..], &["--accept-retiring"]].concat(), 0);
    assert!(plan.out.contains("that gives back 12.1 MB"), "{}", plan.out);

    let agreed = ["--clock", &clock, "run", "orders", "--accept-retiring"];
    let record = world.run_json(&agreed, 0);
    assert_eq!(record["outcome"], "well", "{record}");
    assert!(taken(&world) <= 14_000_000, "{record}");
    assert_eq!(world.generations("orders").last(), Some(&name(night(5))));
    let status = world.run(&["status"], 0);
    assert!(!status.out.contains("--accept-retiring"), "{}", status.out);
}

#[test]
fn the_list_of_generations_tells_which_is_the_first_to_go() {
    let Some(world) = World::new(60) else { return };
    world.job("orders", &format!("{JOB}cap = \"10 MB\"\n"));
    for number in 0..3 {
        photograph(&world, number, 3);
        run(&world, number);
    }
    let clock = format!("{}T02:30:00Z", night(3));
    let list = ["--clock", &clock, "generations", "orders"];
    let listed = world.run_json(&list, 0);
    let turns = listed
        .as_array()
        .unwrap()
        .iter()
        .map(|one| one["turn"].clone());
    let turns: Vec<_> = turns.collect();
    assert_eq!(turns[0], serde_json::Value::Null, "the newest never goes");
    let first = turns.iter().position(|turn| *turn == 1).unwrap();
    let first = world.generations("orders")[2 - first].clone();
    photograph(&world, 3, 3);
    run(&world, 3);
    assert!(!world.generations("orders").contains(&first), "{turns:?}");
    // booked by the runs, or looked at anew: the same
    let listed = |more: &[&str]| world.run(&[&list[..], more].concat(), 0).out;
    assert_eq!(listed(&[]), listed(&["--measure"]));
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
