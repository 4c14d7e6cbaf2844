//! `kill -9` at random moments, each followed by a good run: every listed generation is whole, nothing is
//! left over, and a service that was stopped for the copy is started again.

use std::collections::BTreeMap;
use std::fs;
use std::path::PathBuf;
use std::process::Command;
use std::time::{Duration, Instant};

use rustix::process::Signal;

use crate::background::{Background, until};
use crate::folder_listing::assert_same_tree;
use crate::random::Random;
use crate::world::{World, ok};

struct Nights {
    world: World,
    kind: &'static str,
    random: Random,
    /// How the source was when a generation of this name began, by night.
    references: BTreeMap<String, PathBuf>,
    cut_short: usize,
    left_something: usize,
}

impl Nights {
    fn new(kind: &'static str) -> Option<Self> {
        let world = World::new(200)?;
        let keep = if kind == "mirror" {
            ""
        } else {
            "[[keep]]\nevery = \"1 day\"\nfor = \"5 days\"\n"
        };
        let text = format!(
            "kind = \"{kind}\"\nsource = [\"{{dir}}/source\"]\ndrive = \"shelf\"\n\
             [[pre]]\nrun = [\"touch\", \"{{dir}}/stopped\"]\n\
             [[post]]\nrun = [\"rm\", \"{{dir}}/stopped\"]\non = \"always\"\n\
             {keep}"
        );
        world.job(kind, &text);
        fs::create_dir(world.path("references")).unwrap();
        let mut nights = Self {
            world,
            kind,
            random: Random::new("FAULTS_SEED"),
            references: BTreeMap::new(),
            cut_short: 0,
            left_something: 0,
        };
        for number in 0..250 {
            nights.rewrite(number);
        }
        Some(nights)
    }

    fn rewrite(&mut self, number: u64) {
        let length = usize::try_from(self.random.below(30_000)).unwrap();
        let text = format!("{} ", self.random.below(u64::MAX)).repeat(length / 10 + 1);
        let name = format!("shelf-{}/order-{number}.txt", number % 7);
        self.world.write_source(&name, text);
    }

    fn change_the_source(&mut self, night: u64) {
        for _ in 0..40 {
            let number = self.random.below(250);
            self.rewrite(number);
        }
        for _ in 0..5 {
            let number = self.random.below(250);
            let name = format!("shelf-{}/order-{number}.txt", number % 7);
            let _ = fs::remove_file(self.world.source().join(name));
        }
        let reference = self.world.path("references").join(night.to_string());
        ok(Command::new("cp")
            .arg("-a")
            .arg(self.world.source())
            .arg(&reference));
    }

    fn clock(night: u64, hour: u64) -> String {
        let day = jiff::civil::date(2026, 11, 1)
            .checked_add(jiff::Span::new().days(i64::try_from(night).unwrap()))
            .unwrap();
        format!("{day}T{hour:02}:30:00Z")
    }

    fn arguments(&self, night: u64, hour: u64) -> [String; 4] {
        [
            "--clock".into(),
            Self::clock(night, hour),
            "run".into(),
            self.kind.into(),
        ]
    }

    fn good_run(&self, night: u64) -> Duration {
        let arguments = self.arguments(night, 4);
        let begun = Instant::now();
        let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
        let run = self.world.run_json(&arguments, 0);
        let outcome = run["outcome"].as_str().unwrap();
        assert!(outcome.starts_with("well"), "{run}");
        begun.elapsed()
    }

    fn killed_run(&mut self, night: u64, usual: Duration) {
        let arguments = self.arguments(night, 2);
        let arguments: Vec<&str> = arguments.iter().map(String::as_str).collect();
        let usual = u64::try_from(usual.as_micros()).unwrap();
        let moment = Duration::from_micros(self.random.below(usual * 11 / 10));
        self.slow_down();
        let run = Background::start(self.world.hayloft(&arguments));
        std::thread::sleep(moment);
        run.signal(Signal::KILL);
        run.end_within(Duration::from_secs(5));
        self.world.full_speed();
        let entries = self.world.entries(self.kind);
        let updating = fs::read_to_string(self.world.copies(self.kind).join("catalogue.jsonl"));
        if entries.iter().any(|name| name.ends_with(".partial"))
            || updating.is_ok_and(|text| text.contains("\"updating\""))
        {
            self.left_something += 1;
        }
    }

    /// So that most moments of a run are moments of its copy.
    fn slow_down(&self) {
        self.world.slow_down("rsync", "--bwlimit=3000");
        if self.kind == "history" {
            self.world.slow_down_writes(30);
        }
        let pause = "--checkpoint=50 --checkpoint-action=exec='sleep 0.02'";
        self.world.slow_down("tar", pause);
    }

    fn runs(&self) -> Vec<serde_json::Value> {
        let runs = self.world.run_json(&["runs", "--most", "500"], 0);
        runs.as_array().unwrap().clone()
    }

    fn unfinished(&self) -> Vec<String> {
        let runs = self
            .runs()
            .into_iter()
            .filter(|run| run["outcome"].is_null());
        runs.map(|run| run["id"].as_str().unwrap().to_owned())
            .collect()
    }

    fn night(&mut self, night: u64, usual: Duration) {
        self.change_the_source(night);
        self.killed_run(night, usual);
        let unfinished = self.unfinished();
        self.good_run(night);
        assert!(!self.world.path("stopped").exists(), "started again");
        let entries = self.world.entries(self.kind);
        assert!(
            !entries.iter().any(|name| name.contains("partial")),
            "{entries:?}"
        );
        assert_eq!(self.unfinished(), Vec::<String>::new());
        let runs = self.runs();
        for id in unfinished {
            let run = runs.iter().find(|run| run["id"] == *id).unwrap();
            assert_eq!(run["outcome"], "cut-short", "{run}");
            self.cut_short += 1;
        }
        let reference = self.world.path("references").join(night.to_string());
        for name in self.listed() {
            self.references
                .entry(name)
                .or_insert_with(|| reference.clone());
        }
        self.references.retain(|_, path| path.exists());
    }

    /// What hayloft says there is.
    fn listed(&self) -> Vec<String> {
        let list = self.world.run_json(&["generations", self.kind], 0);
        let list = list.as_array().unwrap().iter();
        list.map(|one| {
            assert_eq!(one["generation"]["state"], "whole", "{one}");
            one["generation"]["name"].as_str().unwrap().to_owned()
        })
        .collect()
    }

    fn check_all(&self) {
        let below = self.world.source().strip_prefix("/").unwrap().to_owned();
        let folder = self.world.copies(self.kind);
        for name in self.listed() {
            let reference = &self.references[&name];
            match self.kind {
                "history" => assert_same_tree(reference, &folder.join(&name).join(&below)),
                "mirror" => assert_same_tree(reference, &folder.join("current").join(&below)),
                _ => {
                    let out = self.world.path("out");
                    let _ = fs::remove_dir_all(&out);
                    fs::create_dir(&out).unwrap();
                    ok(Command::new("tar")
                        .args(["-I", "zstd", "-xpf"])
                        .arg(folder.join(format!("{name}.tar.zst")))
                        .arg("-C")
                        .arg(&out));
                    assert_same_tree(reference, &out.join(&below));
                }
            }
        }
    }
}

#[track_caller]
fn survives(kind: &'static str, kills: u64) {
    let Some(mut nights) = Nights::new(kind) else {
        return;
    };
    nights.change_the_source(0);
    nights.good_run(0);
    let first = nights.world.path("references/0");
    for name in nights.listed() {
        nights.references.insert(name, first.clone());
    }
    nights.change_the_source(1);
    nights.slow_down();
    let usual = nights.good_run(1);
    nights.world.full_speed();
    let second = nights.world.path("references/1");
    for name in nights.listed() {
        nights
            .references
            .entry(name)
            .or_insert_with(|| second.clone());
    }
    for night in 2..2 + kills {
        nights.night(night, usual);
        if night % 4 == 0 {
            nights.check_all();
        }
    }
    nights.check_all();
    assert!(nights.listed().len() <= 7, "{:?}", nights.listed());
    eprintln!(
        "{kind}: {kills} kills, {} runs cut short, {} left something",
        nights.cut_short, nights.left_something
    );
    assert!(
        nights.cut_short > 0 && nights.left_something > 0,
        "no kill came during a copy"
    );
}

#[test]
fn a_history_survives_kills_at_any_moment() {
    survives("history", 20);
}

#[test]
fn a_mirror_survives_kills_at_any_moment() {
    survives("mirror", 15);
}

#[test]
fn an_archive_survives_kills_at_any_moment() {
    survives("archive", 15);
}

#[test]
fn the_service_starts_again_what_a_killed_run_had_stopped() {
    let Some(world) = World::new(40) else { return };
    world.job(
        "orders",
        "kind = \"history\"\nsource = [\"{dir}/source\"]\ndrive = \"shelf\"\n\
         [[pre]]\nrun = [\"sh\", \"-c\", \"touch {dir}/stopped; exec sleep 60\"]\n\
         [[post]]\nrun = [\"rm\", \"{dir}/stopped\"]\non = \"failure\"\n",
    );
    let run = Background::start(world.hayloft(&["run", "orders"]));
    until("the service is stopped", || world.path("stopped").exists());
    run.signal(Signal::KILL);
    run.end_within(Duration::from_secs(5));
    let service = Background::start(world.hayloft(&["serve"]));
    until("the service is started again", || {
        !world.path("stopped").exists()
    });
    service.signal(Signal::TERM);
    service.end_within(Duration::from_secs(10));
    let runs = world.run_json(&["runs"], 0);
    assert_eq!(runs[0]["outcome"], "cut-short", "{runs}");
}
