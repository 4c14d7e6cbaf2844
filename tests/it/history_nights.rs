//! Nights and nights of random edits: each kept generation is to the bit what the source was, by a copy that
//! rsync made of it at that time, and stays so.
//!
//! `HAYLOFT_NIGHTS` says how many nights, `HAYLOFT_SEED` which. With `HAYLOFT_EDITS=rsync` nothing is done that
//! plain rsync cannot follow; with `HAYLOFT_GO_ON` the nights go on after a difference, and all are told at the end.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;
use std::path::PathBuf;
use std::process::Command;
use std::time::{Duration, Instant};

use rustix::process::Signal;

use crate::background::Background;
use crate::kinds_trees::within;
use crate::night_watcher::{Difference, Edits, Watcher};
use crate::random::Random;
use crate::ssh_server::Server;
use crate::world::{FileSystem, World, ok};

const JOB: &str = "kind = \"history\"\nsource = [\"{dir}/source\"]\nexclude = [\"*.tmp\", \"cache/\"]\n\
    [[keep]]\nevery = \"1 day\"\nfor = \"5 days\"\n[[keep]]\nevery = \"1 week\"\nfor = \"4 weeks\"\n";

struct Nights {
    watcher: Watcher,
    world: World,
    /// Only held: it answers while the test lasts.
    _server: Option<Server>,
    drive: &'static str,
    copies: PathBuf,
    random: Random,
    edits: Edits,
    day: i64,
    usual: Duration,
    /// What was done, by the night's day.
    done: BTreeMap<i64, Vec<String>>,
    cut_short: u64,
    is_xfs: bool,
    told: Vec<Difference>,
}

impl Nights {
    fn new(world: World, server: Option<Server>, edits: Edits) -> Self {
        let mut random = Random::new("HAYLOFT_SEED");
        let only_rsync = std::env::var("HAYLOFT_EDITS").is_ok_and(|which| which == "rsync");
        let (drive, copies) = match server {
            None => ("shelf", world.copies("studio-files")),
            Some(_) => ("barn", world.path("far/hayloft/kiln/studio-files")),
        };
        let mut nights = Self {
            watcher: Watcher::start(&world.source(), random.below(u64::MAX)),
            world,
            _server: server,
            drive,
            copies,
            random,
            edits: if only_rsync {
                Edits::RsyncFollows
            } else {
                edits
            },
            day: 0,
            usual: Duration::ZERO,
            done: BTreeMap::new(),
            cut_short: 0,
            is_xfs: false,
            told: Vec::new(),
        };
        nights.write_job(None);
        nights.watcher.make(100);
        nights
    }

    fn write_job(&self, cap: Option<u64>) {
        let cap = cap.map_or(String::new(), |cap| format!("cap = \"{cap} kB\"\n"));
        let drive = self.drive;
        self.world
            .job("studio-files", &format!("drive = \"{drive}\"\n{cap}{JOB}"));
    }

    fn night(&mut self) {
        // now and then the server was off for some days
        self.day += if self.random.chance(1, 12) { 1 + 3 } else { 1 };
        self.edit();
        if self.random.chance(1, 8) {
            self.killed_run(2);
            if self.random.chance(1, 2) {
                self.edit();
            }
        }
        let with_cap = self.random.chance(1, 15);
        if with_cap {
            let cap = 500 + self.random.below(20_000);
            self.write_job(Some(cap));
        }
        self.good_run(4);
        if with_cap {
            self.write_job(None);
        }
        self.compare_all();
    }

    fn edit(&mut self) {
        let done = self.watcher.edit(self.edits);
        self.done.entry(self.day).or_default().extend(done);
    }

    fn clock(&self, hour: u64) -> jiff::civil::DateTime {
        let first = jiff::civil::date(2026, 9, 1).at(i8::try_from(hour).unwrap(), 30, 0, 0);
        first.checked_add(jiff::Span::new().days(self.day)).unwrap()
    }

    /// Keeps in mind what a generation that begins at this hour must be: by rsync's own copy of the source, made
    /// apart.
    fn reference(&mut self, hour: u64) {
        let copy = self.world.path("reference");
        let _ = fs::remove_dir_all(&copy);
        // twice: the first run takes the owning group's permissions from the ACL of a sticky folder that it makes,
        // the second gives them back (seen with rsync 3.5.0)
        for _ in 0..2 {
            ok(Command::new("rsync")
                .args(["-aHAXS", "--numeric-ids", "--modify-window=-1"])
                .args(["--exclude=*.tmp", "--exclude=cache/*"])
                .arg(self.world.source().join(""))
                .arg(copy.join("")));
        }
        let name = self.clock(hour).strftime("%Y%m%dT%H%M%SZ").to_string();
        let wrong = self.watcher.remember(&name, &copy);
        assert!(
            wrong.is_empty(),
            "rsync's own copy is wrong after {:?}:\n{}",
            self.done.get(&self.day),
            wrong
                .iter()
                .map(ToString::to_string)
                .collect::<Vec<_>>()
                .join("\n")
        );
    }

    fn arguments(&self, hour: u64) -> [String; 4] {
        let clock = self.clock(hour).strftime("%Y-%m-%dT%H:%M:%SZ").to_string();
        ["--clock".into(), clock, "run".into(), "studio-files".into()]
    }

    fn good_run(&mut self, hour: u64) {
        self.reference(hour);
        let begun = Instant::now();
        let arguments = self.arguments(hour);
        let run = self
            .world
            .run_json(&arguments.each_ref().map(String::as_str), 0);
        self.usual = begun.elapsed();
        let outcome = run["outcome"].as_str().unwrap();
        assert!(outcome.starts_with("well"), "{run}");
    }

    fn killed_run(&mut self, hour: u64) {
        self.reference(hour);
        let arguments = self.arguments(hour);
        let moment = self
            .random
            .below(u64::try_from(self.usual.as_micros()).unwrap() + 1);
        let run = Background::start(
            self.world
                .hayloft(&arguments.each_ref().map(String::as_str)),
        );
        std::thread::sleep(Duration::from_micros(moment));
        run.signal(Signal::KILL);
        run.end_within(Duration::from_secs(10));
        self.cut_short += 1;
    }

    /// What lies in the job's folder under the name of a whole generation.
    fn generations(&self) -> Vec<String> {
        let entries = fs::read_dir(&self.copies).unwrap();
        let mut names: Vec<String> = entries
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .filter(|name| name.len() == 16 && name.ends_with('Z'))
            .collect();
        names.sort();
        names
    }

    fn compare_all(&mut self) {
        let there = self.generations();
        let listed = self.world.run_json(&["generations", "studio-files"], 0);
        let mut listed: Vec<&str> = listed
            .as_array()
            .unwrap()
            .iter()
            .map(|one| one["generation"]["name"].as_str().unwrap())
            .collect();
        listed.sort_unstable();
        assert_eq!(there, listed, "day {}", self.day);
        self.watcher.keep(&there);
        for name in &there {
            let tree = within(&self.copies.join(name), &self.world.source());
            let differences = self.watcher.compare(name, &tree);
            let new = differences
                .into_iter()
                .filter(|one| {
                    !self.told.contains(one) && !self.is_of_rsync(one) && !self.is_room_ahead(one)
                })
                .collect::<Vec<_>>();
            self.told.extend(new);
        }
        if std::env::var_os("HAYLOFT_GO_ON").is_none() {
            self.assert_all_as_wanted();
        }
    }

    /// What no run of rsync can do right at once: it fills holes where it takes a file from a `--link-dest` folder
    /// of which only owner, mode or attributes changed; and for sticky folders see `reference` (rsync 3.5.0).
    fn is_of_rsync(&self, difference: &Difference) -> bool {
        self.edits == Edits::RsyncFollows
            && ["blocks", "acl of a sticky folder"].contains(&difference.what.as_str())
    }

    /// XFS gives room out ahead of what is written (xfs(5), "allocsize": 64 KiB and more), and keeps what is ahead of a
    /// hole: seen where rsync writes sparse files with several names.
    fn is_room_ahead(&self, difference: &Difference) -> bool {
        let blocks = |text: &str| text.parse::<u64>().unwrap_or(0);
        let beyond = blocks(&difference.found).saturating_sub(blocks(&difference.wanted));
        self.is_xfs && difference.what == "blocks" && beyond * 512 <= 128 << 10
    }

    fn assert_all_as_wanted(&self) {
        if self.told.is_empty() {
            return;
        }
        let mut text = String::new();
        for (day, done) in &self.done {
            let recent = self.day - day < 8 || std::env::var_os("HAYLOFT_GO_ON").is_some();
            if recent {
                let name = jiff::civil::date(2026, 9, 1)
                    .checked_add(jiff::Span::new().days(*day))
                    .unwrap();
                writeln!(text, "before the run of {name}:\n  {}", done.join("\n  ")).unwrap();
            }
        }
        for one in self.told.iter().take(100) {
            writeln!(text, "{one}").unwrap();
        }
        let mut classes: BTreeMap<&str, usize> = BTreeMap::new();
        for one in &self.told {
            *classes.entry(&one.what).or_default() += 1;
        }
        panic!(
            "{text}{} differences after day {}: {classes:?}",
            self.told.len(),
            self.day
        );
    }
}

/// `usual` nights, where the environment does not say how many.
fn nights_of_edits(file_system: FileSystem, usual: u64) {
    let Some(world) = World::with_drive(file_system, 330) else {
        return;
    };
    let mut nights = Nights::new(world, None, Edits::All);
    nights.is_xfs = file_system == FileSystem::Xfs;
    watch(nights, usual);
}

fn watch(mut nights: Nights, usual: u64) {
    let asked = std::env::var("HAYLOFT_NIGHTS").ok();
    let number = asked.map_or(usual, |text| text.parse().expect("HAYLOFT_NIGHTS"));
    let begun = Instant::now();
    nights.good_run(4);
    nights.compare_all();
    let mut kept = BTreeMap::new();
    for _ in 0..number {
        nights.night();
        *kept.entry(nights.generations().len()).or_insert(0) += 1;
    }
    eprintln!(
        "{number} nights in {:?}, {} of them with a run cut short; kept: nights {kept:?}",
        begun.elapsed(),
        nights.cut_short
    );
    nights.assert_all_as_wanted();
}

#[test]
fn two_hundred_nights_on_ext4_leave_every_generation_as_its_source_was() {
    nights_of_edits(FileSystem::Ext4, 200);
}

#[test]
fn nights_on_xfs_leave_every_generation_as_its_source_was() {
    nights_of_edits(FileSystem::Xfs, 50);
}

#[test]
fn nights_on_btrfs_leave_every_generation_as_its_source_was() {
    nights_of_edits(FileSystem::Btrfs, 50);
}

/// rsync alone copies to another host: only what it can follow is done.
#[test]
fn nights_over_ssh_leave_every_generation_as_its_source_was() {
    let Some(world) = World::new(60) else { return };
    let Some(server) = Server::start(&world) else {
        return;
    };
    server.pin(&world);
    server.write_drive(&world, "root", &world.path("far"));
    watch(Nights::new(world, Some(server), Edits::RsyncFollows), 10);
}
