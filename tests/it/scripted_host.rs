//! A host for the service that does what a test says and writes down what it was asked.

use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus};
use std::sync::{Arc, Mutex, MutexGuard};
use std::time::{Duration, Instant};

use hayloft::jobs::{CatchUp, Config, Job, Kind, Name, Server};
use hayloft::record::Trigger;
use hayloft::schedule::{Crontab, Host, LastRun, RunEnd, Skipped};
use jiff::{Timestamp, tz::TimeZone};

pub fn name(text: &str) -> Name {
    Name::parse(text).unwrap()
}

pub fn at(text: &str) -> Timestamp {
    text.parse().unwrap()
}

/// A job that only says when, where and after which.
pub fn job(job: &str, schedule: &str, drive: &str, after: &[&str]) -> Job {
    Job {
        name: name(job),
        about: String::new(),
        kind: Kind::History,
        source: None,
        exclude: Vec::new(),
        drive: name(drive),
        schedule: Some(Crontab::parse(schedule).unwrap()),
        catch_up: CatchUp::RunSoon,
        timeout: None,
        rpo: None,
        rto: None,
        cap: None,
        change_guard: None,
        rehearse: None,
        after: after.iter().map(|text| name(text)).collect(),
        keep: Vec::new(),
        pre: Vec::new(),
        post: Vec::new(),
    }
}

pub fn config(zone: &str, jobs: Vec<Job>) -> Config {
    Config {
        folder: PathBuf::from("/etc/hayloft"),
        server: Server {
            name: name("kiln"),
            time_zone: TimeZone::get(zone).unwrap(),
            state_dir: PathBuf::from("/var/lib/hayloft"),
        },
        mail: None,
        drives: BTreeMap::new(),
        machines: BTreeMap::new(),
        jobs: jobs
            .into_iter()
            .map(|job| (job.name.clone(), job))
            .collect(),
    }
}

/// What the test lays down and what it finds afterwards.
pub struct Script {
    pub config: Result<Config, String>,
    /// The program each job runs, with its arguments; a job without one cannot be started.
    pub programs: BTreeMap<String, Vec<String>>,
    pub handled: BTreeMap<Name, Timestamp>,
    pub slices_handled: BTreeMap<Name, Timestamp>,
    pub last_runs: BTreeMap<Name, LastRun>,
    pub next_mail: Option<Timestamp>,
    pub log: Vec<String>,
}

#[derive(Clone)]
pub struct ScriptedHost {
    folder: PathBuf,
    script: Arc<Mutex<Script>>,
}

impl ScriptedHost {
    pub fn new(folder: &Path, config: Config) -> Self {
        let script = Script {
            config: Ok(config),
            programs: BTreeMap::new(),
            handled: BTreeMap::new(),
            slices_handled: BTreeMap::new(),
            last_runs: BTreeMap::new(),
            next_mail: None,
            log: Vec::new(),
        };
        Self {
            folder: folder.to_owned(),
            script: Arc::new(Mutex::new(script)),
        }
    }

    /// `job` runs this command line, and was last handled at that time.
    pub fn with(self, job: &str, command: &str, handled: &str) -> Self {
        let words = command.split(' ').map(str::to_owned).collect();
        let mut script = self.script();
        script.programs.insert(job.to_owned(), words);
        script.handled.insert(name(job), at(handled));
        drop(script);
        self
    }

    pub fn script(&self) -> MutexGuard<'_, Script> {
        self.script.lock().unwrap()
    }

    pub fn log(&self) -> Vec<String> {
        self.script().log.clone()
    }

    pub fn count(&self, entry: &str) -> usize {
        self.log().iter().filter(|line| *line == entry).count()
    }

    /// Waits until an entry has been written so many times.
    #[track_caller]
    pub fn wait_for(&self, entry: &str, times: usize) {
        let begun = Instant::now();
        while self.count(entry) < times {
            assert!(
                begun.elapsed() < Duration::from_secs(20),
                "`{entry}` did not come; the log: {:#?}",
                self.log()
            );
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    fn write(&self, entry: String) {
        self.script().log.push(entry);
    }
}

impl Host for ScriptedHost {
    fn config_folder(&self) -> &Path {
        &self.folder
    }

    fn load(&mut self) -> Result<Config, String> {
        self.write("load".to_owned());
        self.script().config.clone()
    }

    fn load_kept(&mut self) -> Option<Config> {
        None
    }

    fn outbox(&self) -> Option<PathBuf> {
        None
    }

    fn reap_delivery(&mut self) -> bool {
        false
    }

    fn settle_leftovers(&mut self) -> io::Result<()> {
        self.write("settle".to_owned());
        Ok(())
    }

    fn handled(&mut self, job: &Name) -> io::Result<Option<Timestamp>> {
        Ok(self.script().handled.get(job).copied())
    }

    fn set_handled(&mut self, job: &Name, planned: Timestamp) -> io::Result<()> {
        self.script().handled.insert(job.clone(), planned);
        Ok(())
    }

    fn last_run(&mut self, job: &Name) -> io::Result<Option<LastRun>> {
        Ok(self.script().last_runs.get(job).cloned())
    }

    fn start_run(&mut self, job: &Name, trigger: Trigger) -> io::Result<Child> {
        let program = self.script().programs.get(job.as_str()).cloned();
        let program = program.ok_or_else(|| io::Error::other("no program"))?;
        let (how, planned) = match trigger {
            Trigger::Schedule { planned } => ("on time", planned),
            Trigger::CatchUp { planned } => ("catch-up", planned),
            Trigger::Hand => panic!("the service never starts a run by hand"),
        };
        self.write(format!("start {job} {how} {planned}"));
        Command::new(&program[0]).args(&program[1..]).spawn()
    }

    fn run_ended(&mut self, job: &Name, status: ExitStatus) -> io::Result<()> {
        let mut script = self.script();
        let started = script.handled[job];
        let end = if status.success() {
            RunEnd::Well
        } else {
            RunEnd::NotWell("failed".to_owned())
        };
        script
            .last_runs
            .insert(job.clone(), LastRun { started, end });
        script.log.push(format!("end {job} {status}"));
        Ok(())
    }

    fn slice_handled(&mut self, drive: &Name) -> io::Result<Option<Timestamp>> {
        Ok(self.script().slices_handled.get(drive).copied())
    }

    fn set_slice_handled(&mut self, drive: &Name, planned: Timestamp) -> io::Result<()> {
        self.script().slices_handled.insert(drive.clone(), planned);
        Ok(())
    }

    fn start_slice(&mut self, drive: &Name, planned: Timestamp) -> io::Result<Child> {
        self.write(format!("slice {drive} {planned}"));
        Command::new("true").spawn()
    }

    fn record_skipped(&mut self, skipped: &Skipped) -> io::Result<()> {
        let Skipped {
            job,
            planned,
            outcome,
            reason,
        } = skipped;
        let words = outcome.words();
        let last_run = LastRun {
            started: *planned,
            end: RunEnd::NotWell(words.to_owned()),
        };
        self.script().last_runs.insert(job.clone(), last_run);
        self.write(format!("skip {job} {planned} {outcome:?}: {reason}"));
        Ok(())
    }

    fn deliver_mail_due(&mut self, _now: Timestamp) -> Option<Timestamp> {
        self.write("mail".to_owned());
        self.script().next_mail
    }

    fn bad_files(&mut self, diagnostics: &str) {
        self.write(format!("bad files: {diagnostics}"));
    }
}
