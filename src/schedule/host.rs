//! What the service asks of the rest of hayloft: configuration, records, runs and mail.

use std::io;
use std::path::{Path, PathBuf};
use std::process::{Child, ExitStatus};

use jiff::Timestamp;

use super::LastRun;
use crate::jobs::{Config, Name};
use crate::record::{Outcome, Trigger};

/// A planned time at which a job did not run, to be recorded like a run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Skipped {
    pub job: Name,
    pub planned: Timestamp,
    /// `Missed`, `Waiting`, or `Failed` when the run could not be started at all.
    pub outcome: Outcome,
    /// One sentence, lower case, such as "after `accounts`, which failed".
    pub reason: String,
}

/// The service's one door to effects. Its methods are called from one thread, one at a time, and none
/// may take longer than a quarter of the watchdog's time.
pub trait Host {
    /// The folder whose files make the configuration; it and its `jobs/` are watched.
    fn config_folder(&self) -> &Path;

    /// Reads the files. The error is the full text of all diagnostics.
    fn load(&mut self) -> Result<Config, String>;

    /// The files that were in force before, when those of now are wrong at the start.
    fn load_kept(&mut self) -> Option<Config>;

    /// Settles what a power cut left: unfinished runs are recorded as cut short, services that a `[[pre]]`
    /// step had stopped are started again. Called once, as soon as files are read, before anything runs;
    /// what takes long goes on in another process.
    fn settle_leftovers(&mut self) -> io::Result<()>;

    /// The last planned time of the job that was run or noted; `None` if it was never seen.
    fn handled(&mut self, job: &Name) -> io::Result<Option<Timestamp>>;

    fn set_handled(&mut self, job: &Name, planned: Timestamp) -> io::Result<()>;

    /// The newest record of the job, whoever started it. Skipped times count as records. A record is
    /// `Unfinished` only while its process is alive.
    fn last_run(&mut self, job: &Name) -> io::Result<Option<LastRun>>;

    /// Starts one run as a child process, which records itself. It gets SIGTERM when the service stops.
    fn start_run(&mut self, job: &Name, trigger: Trigger) -> io::Result<Child>;

    /// A run's process has ended. If it left its record unfinished it was cut short.
    fn run_ended(&mut self, job: &Name, status: ExitStatus) -> io::Result<()>;

    fn record_skipped(&mut self, skipped: &Skipped) -> io::Result<()>;

    /// The last planned time at which a part of the drive was re-read; `None` if there was none.
    fn slice_handled(&mut self, drive: &Name) -> io::Result<Option<Timestamp>>;

    fn set_slice_handled(&mut self, drive: &Name, planned: Timestamp) -> io::Result<()>;

    /// Starts the re-reading of a part of a drive as a child process, which records itself. It gets SIGTERM when
    /// the service stops.
    fn start_slice(&mut self, drive: &Name, planned: Timestamp) -> io::Result<Child>;

    /// Tries to send kept mail whose time has come; gives the next time to try, if mail is still kept.
    fn deliver_mail_due(&mut self, now: Timestamp) -> Option<Timestamp>;

    /// The folder in which mail is kept, to be watched; absent when nothing is mailed.
    fn outbox(&self) -> Option<PathBuf>;

    /// A child process has ended; tells whether it is one that delivered mail.
    fn reap_delivery(&mut self) -> bool;

    /// Job files are wrong and the old ones stay in force: an alarm. Called once for each distinct text.
    fn bad_files(&mut self, diagnostics: &str);
}
