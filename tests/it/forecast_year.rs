//! `hayloft forecast` over a year of runs, written into the record as runs leave them.

use std::fmt::Write as _;
use std::process::Command;

use hayloft::jobs::{KindName, Name};
use hayloft::record::{
    Changes, DriveUse, Form, Generation, GenerationName, Outcome, RunRecord, State, Store, Task,
    Trigger,
};
use jiff::{SignedDuration, Timestamp};

use crate::world::{World, ok};

const GB: u64 = 1_000_000_000;
const TB: u64 = 1000 * GB;

fn name(text: &str) -> Name {
    Name::parse(text).unwrap()
}

/// The studio's runs, without a drive: nothing is copied here.
struct Studio {
    world: World,
    store: Store,
    now: Timestamp,
}

impl Studio {
    fn new() -> Option<Self> {
        let world = World::new(40)?;
        let keep = "[[keep]]\nevery = \"1 day\"\nfor = \"2 weeks\"\n[[keep]]\nevery = \"1 month\"\nfor = \"2 years\"\n";
        let job = "source = [\"{dir}/source\"]\ndrive = \"shelf\"\ncap = \"1.5 TB\"\n";
        world.job("studio-files", &format!("kind = \"history\"\n{job}{keep}"));
        world.job("orders", &format!("kind = \"archive\"\n{job}{keep}"));
        world.job(
            "photographs",
            "kind = \"mirror\"\nsource = [\"{dir}/source\"]\ndrive = \"shelf\"\n",
        );
        let (store, _) = Store::open(&world.state()).unwrap();
        Some(Self {
            world,
            store,
            now: "2026-11-25T09:00:00Z".parse().unwrap(),
        })
    }

    fn run(&self, job: &str, at: Timestamp, changes: Changes, space: DriveUse) {
        let id = format!("{}-{job}", GenerationName::at(at));
        let run = RunRecord {
            id: id.clone(),
            server: name("kiln"),
            job: name(job),
            kind: if job == "orders" {
                KindName::Archive
            } else {
                KindName::History
            },
            task: Task::Copy,
            about: String::new(),
            trigger: Trigger::Schedule { planned: at },
            started: at,
            ended: Some(at + SignedDuration::from_mins(3)),
            outcome: Some(Outcome::Well),
            reason: String::new(),
            advice: Vec::new(),
            notes: Vec::new(),
            drive: name("shelf"),
            landing: String::new(),
            generation: Some(GenerationName::at(at)),
            form: Some(Form::Tree),
            changes: Some(changes),
            exported: Vec::new(),
            steps: Vec::new(),
            decisions: Vec::new(),
            space: Some(space),
            proofs: Vec::new(),
            log_tail: Vec::new(),
            log_file: String::new(),
            next: None,
        };
        self.store.finish_run(&run).unwrap();
        let generation = Generation {
            name: GenerationName::at(at),
            server: name("kiln"),
            job: name(job),
            kind: run.kind,
            form: Form::Tree,
            state: State::Whole,
            ended: at,
            sources: Vec::new(),
            files: changes.files,
            bytes: changes.bytes,
            new_bytes: changes.new_bytes,
            run: id,
        };
        self.store
            .put_generation(&name("shelf"), &generation)
            .unwrap();
    }

    /// So many nights up to today, on a drive of 4 TB of which a nightly amount is taken.
    fn nights(&self, count: u64, a_night: u64) {
        for back in (0..count).rev() {
            let hours = i64::try_from(back * 24 + 6).unwrap();
            let at = self.now - SignedDuration::from_hours(hours) - SignedDuration::from_mins(30);
            let past = count - back;
            // to and fro by a fifth
            let wave = past * 7919 % 5 * a_night / 10;
            let space = DriveUse {
                total: 4 * TB,
                free: 3 * TB - past * a_night - wave,
                reserve: 20 * GB,
                job_use: Some(400 * GB + past * GB),
                cap: Some(TB),
            };
            let changes = |bytes, new_bytes| Changes {
                bytes,
                new_bytes,
                ..Changes::default()
            };
            let new = if back + 1 == count { 345 * GB } else { 2 * GB };
            self.run(
                "studio-files",
                at,
                changes(345 * GB + past * GB / 10, new),
                space,
            );
            let later = at + SignedDuration::from_mins(10);
            let space = DriveUse {
                job_use: Some(past * 8 * GB),
                ..space
            };
            self.run("orders", later, changes(30 * GB, 8 * GB), space);
        }
    }

    fn words(&self) -> [String; 2] {
        ["--clock".to_owned(), self.now.to_string()]
    }
}

#[test]
fn a_year_of_runs_is_told_in_eighty_columns() {
    let Some(studio) = Studio::new() else { return };
    studio.nights(300, 4 * GB);
    let [clock, now] = studio.words();
    let shown = studio
        .world
        .run(&[&clock, &now, "forecast", "--reach", "6 months"], 0)
        .out;
    println!("{shown}");
    for line in shown.lines() {
        assert!(line.chars().count() <= 80, "{line}");
    }
    let text = shown.split_whitespace().collect::<Vec<_>>().join(" ");
    for words in [
        "no drive is soon short of space",
        "full in about 15 months",
        "reaches its reserve of 1 MB in about 15 months",
        "grows by 4 GB a day",
        "600 runs over 299 days",
        "will reach back about 2 years: the keep rules end there",
        "for 6 months, asked for, it needs a cap of about ",
        "; it has 1.5 TB",
        "common practice, no source: a cap of at least twice the source, here 750 GB, gives months",
        "one copy takes 8 GB",
    ] {
        assert!(text.contains(words), "`{words}` is not in\n{shown}");
    }
    // a mirror has no history
    assert!(!shown.contains("photographs"), "{shown}");
    let status = studio.world.run(&[&clock, &now, "status"], 1).out;
    assert!(status.contains("full in about 15 months"), "{status}");
}

#[test]
fn a_drive_that_will_be_at_its_reserve_within_a_month_needs_a_person() {
    let Some(studio) = Studio::new() else { return };
    studio.nights(60, 40 * GB);
    let [clock, now] = studio.words();
    let shown = studio.world.run(&[&clock, &now, "forecast"], 1).out;
    assert!(shown.contains("1 drive is SOON SHORT OF SPACE"), "{shown}");
    assert!(
        shown.contains("  ! shelf: reaches its reserve of 1 MB in about 15 days ("),
        "{shown}"
    );
}

#[test]
fn the_memory_does_not_grow_with_the_number_of_runs() {
    let Some(studio) = Studio::new() else { return };
    studio.nights(10, GB);
    let [clock, now] = studio.words();
    let peak = || {
        let mut command = Command::new("/usr/bin/time");
        let hayloft = studio.world.hayloft(&[&clock, &now, "forecast"]);
        command
            .args(["-f", "%M"])
            .arg(hayloft.get_program())
            .args(hayloft.get_args());
        let output = ok(&mut command);
        let errors = String::from_utf8(output.stderr).unwrap();
        errors
            .trim()
            .lines()
            .last()
            .unwrap()
            .parse::<u64>()
            .unwrap()
    };
    let few = peak();
    // each with a report of steps and decisions, as a run of many nights leaves it
    let mut ballast = String::new();
    (0..200).for_each(|number| writeln!(ballast, "rsync --archive number {number}").unwrap());
    for number in 0..3000_i64 {
        let at = studio.now - SignedDuration::from_hours(2 * number + 1);
        let space = DriveUse {
            total: 4 * TB,
            free: 2 * TB,
            reserve: 0,
            job_use: None,
            cap: None,
        };
        studio.run("studio-files", at, Changes::default(), space);
        let id = format!("{}-studio-files", GenerationName::at(at));
        let mut run = studio.store.run(&id).unwrap().unwrap();
        run.log_tail = vec![ballast.clone()];
        studio.store.finish_run(&run).unwrap();
    }
    let begun = std::time::Instant::now();
    let many = peak();
    println!("{:?} for the second", begun.elapsed());
    println!("{few} KiB with 20 runs, {many} KiB with 3020");
    assert!(many < few + 12_000, "{few} KiB, then {many} KiB");
}
