//! One job, once: locks, facts, plan, steps, retention, record.

use std::path::PathBuf;

use jiff::Timestamp;
use tracing::{error, info, warn};

use super::account::Account;
use super::catalogue_keeper::CatalogueKeeper;
use super::control::StopSignal;
use super::executor::Executor;
use super::locks::{self, LockError, Sharing};
use super::owed::{self, Owed};
use super::progress::Progress;
use super::run_log::RunLog;
use super::{read_me, retiring, settle, wording};
use crate::jobs::{Config, Drive, Job, Size};
use crate::keep::Consent;
use crate::plan::{Allowance, Part, Plan, Stop, make_plan};
use crate::record::{DriveUse, Outcome, RunRecord, Store, StoreError, Task, Trigger, logs};
use crate::schedule::{ON_TIME, Skipped};
use crate::system::clock::Clock;
use crate::system::{Asked, gather};

/// What runs are done with.
#[derive(Clone, Copy)]
pub struct Runner<'a> {
    pub config: &'a Config,
    pub store: &'a Store,
    pub clock: &'a dyn Clock,
    pub signal: &'a StopSignal,
    pub progress: &'a Progress,
    pub log: &'a RunLog,
}

/// A run that was asked for.
#[derive(Debug, Clone, Copy)]
pub struct Wanted<'a> {
    pub job: &'a Job,
    pub trigger: Trigger,
    pub allowance: Allowance,
    pub consent: Consent,
}

impl Runner<'_> {
    /// Runs the job. A run that finds the job or its drive in use is [`Outcome::Busy`] and leaves no record.
    ///
    /// # Errors
    /// When the record cannot be written.
    pub fn run(&self, wanted: Wanted) -> Result<RunRecord, StoreError> {
        let job = wanted.job;
        let drive = self.config.drive_of(job);
        let state_dir = &self.config.server.state_dir;
        let job_lock = locks::lock_job(state_dir, &job.name, &format!("a run of `{}`", job.name));
        let id = self.store.new_run_id(&job.name, self.clock.now())?;
        let mut record = self.blank(job, wanted.trigger, id, drive);
        let _job_lock = match job_lock {
            Ok(lock) => lock,
            Err(error) => return Ok(self.not_begun(record, &error)),
        };
        let _drive_lock = match locks::lock_drive(state_dir, drive, &job.name) {
            Ok(lock) => lock,
            Err(error) => {
                // a service that a killed run left stopped does not wait for the drive
                record.notes = settle::cut_short_runs(self, &job.name, &record.id)?;
                return Ok(self.not_begun(record, &error));
            }
        };
        let _service_lock = match locks::lock_service_of(state_dir, job, Sharing::WithOthers) {
            Ok(lock) => lock,
            Err(error) => return Ok(self.not_begun(record, &error)),
        };
        self.begin_log(&mut record);
        self.store.begin_run(&record)?;
        record
            .notes
            .extend(settle::cut_short_runs(self, &job.name, &record.id)?);
        match settle::not_undone(state_dir, &job.name) {
            Some(stop) => wording::tell(&mut record, stop),
            None => self.go(&wanted, drive, &mut record),
        }
        self.finish(&mut record);
        self.store.finish_run(&record)?;
        Ok(record)
    }

    pub(super) fn blank(
        &self,
        job: &Job,
        trigger: Trigger,
        id: String,
        drive: &Drive,
    ) -> RunRecord {
        let log_file = logs::path(&self.config.server.state_dir, &job.name, &id);
        RunRecord {
            server: self.config.server.name.clone(),
            job: job.name.clone(),
            kind: job.kind.name(),
            task: Task::Copy,
            about: job.about.clone(),
            trigger,
            started: self.clock.now(),
            ended: None,
            outcome: None,
            reason: String::new(),
            advice: Vec::new(),
            notes: Vec::new(),
            drive: drive.name.clone(),
            landing: String::new(),
            generation: None,
            form: None,
            changes: None,
            exported: Vec::new(),
            steps: Vec::new(),
            decisions: Vec::new(),
            space: None,
            proofs: Vec::new(),
            log_tail: Vec::new(),
            log_file: log_file.display().to_string(),
            next: None,
            id,
        }
    }

    pub(super) fn not_begun(&self, mut record: RunRecord, error: &LockError) -> RunRecord {
        let stop = match error {
            LockError::Held { .. } => Stop::new(Outcome::Busy, error.to_string())
                .advise("wait for that run to end, then run this one again"),
            LockError::Io { .. } => Stop::new(Outcome::Failed, error.to_string()),
        };
        wording::tell(&mut record, stop);
        record.ended = Some(self.clock.now());
        record
    }

    pub(super) fn begin_log(&self, record: &mut RunRecord) {
        match logs::open(&self.config.server.state_dir, &record.job, &record.id) {
            Ok(file) => self.log.begin(file),
            Err(error) => record.notes.push(format!("no log could be kept: {error}")),
        }
        info!(
            "run {} of job `{}` ({})",
            record.id, record.job, record.kind
        );
    }

    /// Everything between the locks and the record.
    fn go(&self, wanted: &Wanted, drive: &Drive, record: &mut RunRecord) {
        let known_hosts = known_hosts(self.config);
        let asked = Asked::of(self.config, wanted.job, &known_hosts, record.started);
        let mut account = Account::default();
        let gathered = gather(asked, |listing| {
            account = Account::of_run(self.store, asked, listing);
            (account.whole(), account.leftovers.clone())
        });
        record.notes.append(&mut account.notes);
        let plan = make_plan(wanted.job, drive, &gathered.facts, wanted.allowance);
        record.landing = plan.landing.address();
        record.notes.extend(plan.notes.iter().cloned());
        if let Some(stop) = plan.stops.first() {
            error!("{}", stop.reason);
            return wording::tell(record, stop.clone());
        }
        let keeper = CatalogueKeeper {
            store: self.store,
            clock: self.clock,
            known: account.known,
            server: self.config.server.name.clone(),
            run: record.id.clone(),
            sources: (wanted.job.source.iter())
                .flat_map(|source| source.paths().to_vec())
                .collect(),
        };
        if let Err(stop) = self.owe(&plan, record) {
            return wording::tell(record, stop);
        }
        let mut executor = Executor::new(&plan, gathered.held.as_ref(), self.signal, self.progress);
        executor.reserve = drive.reserve.bytes();
        executor.scratch.clone_from(&gathered.facts.indexes);
        executor.keeper = Some(keeper);
        executor.execute(&plan.steps);
        if let Err(error) = owed::settle(&self.config.server.state_dir, &wanted.job.name) {
            executor.done.notes.push(format!(
                "cannot strike off the steps that were owed: {error}"
            ));
        }
        if let Some(night) = &executor.done.night {
            let server = &self.config.server.name;
            let booked = self
                .store
                .book_night(&drive.name, server, &wanted.job.name, night);
            if let Err(error) = booked {
                warn!("{error}; the space is measured again");
            }
        }
        let mut job_use = None;
        let went = executor.done.stop.as_ref().map(|stop| stop.outcome);
        if went.is_none_or(|outcome| outcome == Outcome::DriveFull) {
            let asked = retiring::Retiring {
                job: wanted.job,
                config: self.config,
                now: record.started,
                consent: wanted.consent,
            };
            (record.decisions, job_use) = asked.retire(&mut executor, self.store);
        }
        if went.is_none() {
            read_me::renew(self.config, drive, &mut executor);
        }
        record.space = executor.space().map(|space| DriveUse {
            total: space.total,
            free: space.free,
            reserve: drive.reserve.bytes(),
            job_use,
            cap: wanted.job.cap.map(Size::bytes),
        });
        wording::take_over(record, &plan, executor.done);
    }

    /// Writes down the post steps before a pre step stops anything.
    fn owe(&self, plan: &Plan, record: &RunRecord) -> Result<(), Stop> {
        let has_pre_steps = plan.steps.iter().any(|step| step.part == Part::Pre);
        let owed =
            Owed::of(&plan.job, (&record.id, record.task), &plan.steps).filter(|_| has_pre_steps);
        let written = owed.map_or(Ok(()), |owed| owed.write(&self.config.server.state_dir));
        written.map_err(|error| {
            let reason =
                format!("cannot write down which steps must follow: {error}; no step was run");
            Stop::new(Outcome::Failed, reason)
        })
    }

    pub(super) fn finish(&self, record: &mut RunRecord) {
        let now = self.clock.now();
        record.ended = Some(now);
        let job = self.config.jobs.get(&record.job);
        let schedule = job.and_then(|job| job.schedule.as_ref());
        record.next = schedule.and_then(|line| line.next_after(&self.config.server.time_zone, now));
        info!(
            "ended: {}: {}",
            record.outcome.map_or("", Outcome::words),
            record.reason
        );
        self.log.end();
        if !record.outcome.is_some_and(Outcome::is_well) {
            let path = PathBuf::from(&record.log_file);
            record.log_tail = logs::tail(&path, TAIL).unwrap_or_default();
        }
        if let Err(error) = logs::prune(&self.config.server.state_dir, &record.job, now) {
            warn!("old logs could not be removed: {error}");
        }
    }
}

/// Records a planned time at which a job did not run.
///
/// # Errors
/// When the record cannot be written.
pub fn skipped_record(
    runner: &Runner,
    job: &Job,
    skipped: &Skipped,
) -> Result<RunRecord, StoreError> {
    let trigger = Trigger::Schedule {
        planned: skipped.planned,
    };
    let id = runner.store.new_run_id(&job.name, runner.clock.now())?;
    let mut record = runner.blank(job, trigger, id, runner.config.drive_of(job));
    runner.store.begin_run(&record)?;
    wording::tell(
        &mut record,
        Stop::new(skipped.outcome, skipped.reason.clone()),
    );
    let now = runner.clock.now();
    record.ended = Some(now);
    let schedule = job.schedule.as_ref();
    record.next = schedule.and_then(|line| line.next_after(&runner.config.server.time_zone, now));
    runner.store.finish_run(&record)?;
    Ok(record)
}

/// Lines of the log that a report of trouble quotes.
const TAIL: usize = 20;

/// hayloft's own known hosts: the pinned host keys.
pub fn known_hosts(config: &Config) -> PathBuf {
    config.server.state_dir.join("known_hosts")
}

/// What set a run off: a planned time, if there was one, and how late it is.
pub fn trigger_for(planned: Option<Timestamp>, now: Timestamp) -> Trigger {
    match planned {
        None => Trigger::Hand,
        Some(planned) if now.duration_since(planned) <= ON_TIME => Trigger::Schedule { planned },
        Some(planned) => Trigger::CatchUp { planned },
    }
}
