//! The loop of `hayloft serve`: starts jobs at their times, one thread, no polling.

use std::io;
use std::time::{Duration, Instant};

use jiff::{SignedDuration, Timestamp};

use super::agenda::{Agenda, Decision, Note, Pending};
use super::children::{Children, Ended};
use super::host::{Host, Skipped};
use super::mail_due::MailDue;
use super::service_manager::ServiceManager;
use super::signals::Signals;
use super::slices::Slices;
use super::status::status_line;
use super::wait::{Event, Waiter};
use super::watch::ConfigWatch;
use super::{LastRun, Punctuality};
use crate::exit::Exit;
use crate::jobs::{Config, Name};
use crate::record::{Outcome, Trigger};
use crate::system::clock::Clock;
use crate::system::memory;

/// Changed files are read when nothing has changed for this long: an editor saves in several steps.
const SETTLE: Duration = Duration::from_secs(1);

/// How soon to look again at what gives no sign when it ends: a run by hand, mail that cannot wait.
const LOOK_AGAIN: SignedDuration = SignedDuration::from_mins(1);

/// How soon to load again while there are no files to serve by.
const WITHOUT_FILES: Duration = Duration::from_secs(60);

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Phase {
    Serving,
    /// Waiting for the runs that were asked to stop.
    Stopping,
}

/// `hayloft serve`, with its effects behind a [`Host`] and its time from a [`Clock`].
pub struct Service<H, C> {
    host: H,
    clock: C,
    waiter: Waiter,
    manager: ServiceManager,
    config: Option<Config>,
    agenda: Agenda,
    children: Children,
    slices: Slices,
    phase: Phase,
    mail: MailDue,
    /// When changed files are read.
    reload_at: Option<Instant>,
    /// The diagnostics of which the alarm was raised.
    bad_files: Option<String>,
    /// More was done since the last rest than to look at the time.
    worked: bool,
}

impl<H: Host, C: Clock> Service<H, C> {
    pub fn new(host: H, clock: C, signals: Signals) -> io::Result<Self> {
        let watch = match ConfigWatch::new(host.config_folder()) {
            Ok(watch) => Some(watch),
            Err(error) => {
                tracing::warn!("changed files are read only after a reload: no inotify: {error}");
                None
            }
        };
        Ok(Self {
            waiter: Waiter::new(signals, watch)?,
            host,
            clock,
            manager: ServiceManager::from_environment(),
            config: None,
            agenda: Agenda::default(),
            children: Children::default(),
            slices: Slices::default(),
            phase: Phase::Serving,
            mail: MailDue::Now,
            reload_at: None,
            bad_files: None,
            worked: false,
        })
    }

    /// Serves until SIGTERM or SIGINT, then stops the runs and gives the host back.
    ///
    /// Files that are wrong at the start are an alarm, not an end: jobs are taken up, and missed times
    /// caught up with, once the files are mended.
    ///
    /// # Errors
    /// When the kernel refuses to wait. Everything else is logged or recorded, and the service goes on.
    pub fn run(mut self) -> io::Result<H> {
        self.load();
        ServiceManager::ready();
        loop {
            self.reap();
            let until = match self.phase {
                Phase::Serving => self.serve(),
                Phase::Stopping if self.children.is_empty() && self.slices.is_idle() => {
                    return Ok(self.host);
                }
                Phase::Stopping => None,
            };
            if std::mem::take(&mut self.worked) {
                memory::release_code();
            }
            let deadline = [self.manager.beat(Instant::now()), self.reload_at];
            let system = until.map(|time| self.clock.to_system(time));
            for event in self
                .waiter
                .wait(system, deadline.into_iter().flatten().min())?
            {
                self.heed(event);
            }
        }
    }

    fn heed(&mut self, event: Event) {
        match event {
            Event::Terminate => {
                tracing::info!("stopping");
                self.phase = Phase::Stopping;
                self.reload_at = None;
                ServiceManager::stopping();
                self.children.terminate();
                self.slices.terminate();
            }
            Event::Reload if self.phase == Phase::Serving => self.reload(),
            Event::FilesChanged if self.phase == Phase::Serving => {
                self.reload_at = Some(Instant::now() + SETTLE);
            }
            Event::ClockSet => {
                tracing::info!("the clock was set");
                self.mail = MailDue::Now;
            }
            Event::ChildEnded => {
                if self.host.reap_delivery() {
                    self.mail = MailDue::Now;
                }
            }
            Event::MailKept => self.mail = MailDue::Now,
            Event::Reload | Event::FilesChanged => {}
        }
    }

    fn reap(&mut self) {
        if self.slices.reap() {
            self.worked = true;
            self.mail = MailDue::Now;
        }
        for Ended {
            job,
            pending,
            status,
        } in self.children.reap()
        {
            self.worked = true;
            if status.code() == Some(Exit::Busy as i32) {
                self.put_off(&job, pending);
                continue;
            }
            tracing::info!("`{job}` ended: {status}");
            log("record the end of a run", self.host.run_ended(&job, status));
            self.mail = MailDue::Now;
        }
    }

    /// The run found its job or drive in use by a run that the service did not start, and did nothing.
    fn put_off(&mut self, job: &Name, pending: Pending) {
        tracing::info!("`{job}` waits: it or its drive is in use by another run");
        self.agenda
            .put_off(job, pending, self.clock.now() + LOOK_AGAIN);
        // so that it is due again should the service end before the run is made up for
        let before = pending.planned - SignedDuration::from_secs(1);
        log("store a handled time", self.host.set_handled(job, before));
    }

    /// Does everything that is due; gives the next time to look.
    fn serve(&mut self) -> Option<Timestamp> {
        if self.reload_at.is_some_and(|time| time <= Instant::now()) {
            self.reload();
        }
        let now = self.clock.now();
        let mut next = None;
        let mut again = None;
        if let Some(config) = self.config.take() {
            let notes = self.agenda.look(&config, &self.children.jobs(), now);
            self.note(notes);
            self.work_through_queue(&config, now);
            self.slices.look(&mut self.host, &config, now);
            let job = self.agenda.next(now).map(|(time, _)| time);
            next = [job, self.slices.next()].into_iter().flatten().min();
            again = self.look_again(&config, now);
            self.config = Some(config);
        }
        let mail = self.deliver_mail(now);
        self.show_status(now);
        [next, mail, again].into_iter().flatten().min()
    }

    fn look_again(&mut self, config: &Config, now: Timestamp) -> Option<Timestamp> {
        let host = &mut self.host;
        let running = self.children.jobs();
        let behind = self
            .agenda
            .waits_behind_run_by_hand(config, &running, |job| last_run(host, job))
            .then(|| now + LOOK_AGAIN);
        let put_off = self.agenda.put_off_until(now);
        [behind, put_off].into_iter().flatten().min()
    }

    fn work_through_queue(&mut self, config: &Config, now: Timestamp) {
        loop {
            let host = &mut self.host;
            let decision = self
                .agenda
                .decide(config, &self.children.jobs(), now, |job| {
                    last_run(host, job)
                });
            match decision {
                None => return,
                Some(Decision::Start { job, pending }) => self.start(config, &job, pending),
                Some(Decision::Refuse {
                    job,
                    planned,
                    reason,
                }) => {
                    self.agenda.take(&job);
                    self.skip(job, planned, Outcome::Waiting, reason);
                }
            }
        }
    }

    /// The planned time is stored after the process was started: should the power fail in between, the
    /// job runs once more, which does less harm than a night without a run.
    fn start(&mut self, config: &Config, job: &Name, pending: Pending) {
        let planned = pending.planned;
        let trigger = match pending.punctuality {
            Punctuality::OnTime => Trigger::Schedule { planned },
            Punctuality::CatchUp => Trigger::CatchUp { planned },
        };
        self.agenda.take(job);
        match self.host.start_run(job, trigger) {
            Ok(child) => {
                tracing::info!("`{job}` started, planned for {planned}");
                let drive = config.jobs[job].drive.clone();
                self.children.add(job.clone(), drive, pending, child);
                log("store a handled time", self.host.set_handled(job, planned));
            }
            Err(error) => {
                let reason = format!("the run could not be started: {error}");
                self.skip(job.clone(), planned, Outcome::Failed, reason);
            }
        }
    }

    fn skip(&mut self, job: Name, planned: Timestamp, outcome: Outcome, reason: String) {
        tracing::warn!("`{job}` did not run at {planned}: {reason}");
        log("store a handled time", self.host.set_handled(&job, planned));
        let skipped = Skipped {
            job,
            planned,
            outcome,
            reason,
        };
        log("record a skipped time", self.host.record_skipped(&skipped));
        self.mail = MailDue::Now;
    }

    fn note(&mut self, notes: Vec<Note>) {
        for note in notes {
            match note {
                Note::Handled { job, time } => {
                    log("store a handled time", self.host.set_handled(&job, time));
                }
                Note::Missed { job, planned } => {
                    let reason = "its time passed while the server was off or asleep, or another \
                        run of it was going on, and `catch_up` is false";
                    self.skip(job, planned, Outcome::Missed, reason.to_owned());
                }
                Note::Overtaken { job, planned } => {
                    let reason =
                        "the job or its drive was in use by another run until its next time came";
                    self.skip(job, planned, Outcome::Busy, reason.to_owned());
                }
            }
        }
    }

    fn reload(&mut self) {
        self.reload_at = None;
        ServiceManager::reloading();
        self.waiter.renew_watch();
        self.load();
        ServiceManager::ready();
    }

    fn load(&mut self) {
        self.worked = true;
        match self.host.load() {
            Ok(config) => {
                self.take_up(config);
                self.bad_files = None;
            }
            Err(diagnostics) if self.bad_files.as_ref() != Some(&diagnostics) => {
                tracing::error!(
                    "the job files cannot be used, and those read before stay in force:\n{diagnostics}"
                );
                if self.config.is_none()
                    && let Some(kept) = self.host.load_kept()
                {
                    self.take_up(kept);
                }
                self.host.bad_files(&diagnostics);
                self.bad_files = Some(diagnostics);
                self.mail = MailDue::Now;
            }
            Err(_) => {}
        }
        // without any files, it may be more than an edit that is missing: a disk not yet there, or full
        if self.config.is_none() {
            self.reload_at = Some(Instant::now() + WITHOUT_FILES);
        }
    }

    fn take_up(&mut self, config: Config) {
        if self.config.is_none() {
            log("settle what was left", self.host.settle_leftovers());
        }
        let now = self.clock.now();
        let host = &mut self.host;
        let notes = self
            .agenda
            .reload(self.config.as_ref(), &config, now, |job| stored(host, job));
        self.note(notes);
        self.slices
            .reload(&mut self.host, self.config.as_ref(), &config, now);
        if let Some(folder) = self.host.outbox() {
            self.waiter.watch_outbox(&folder);
        }
        tracing::info!("{} jobs loaded", config.jobs.len());
        self.config = Some(config);
    }

    fn deliver_mail(&mut self, now: Timestamp) -> Option<Timestamp> {
        if self.mail.is_due(now) {
            self.mail = MailDue::after_try(self.host.deliver_mail_due(now), now, now + LOOK_AGAIN);
        }
        self.mail.next_try()
    }

    fn show_status(&mut self, now: Timestamp) {
        let running = self.children.jobs();
        let status = match (&self.config, &self.bad_files) {
            (None, _) => "job files are wrong; nothing runs until they are mended".to_owned(),
            (Some(config), bad) => {
                let zone = &config.server.time_zone;
                let line = status_line(running.keys(), self.agenda.next(now), zone, now);
                match bad {
                    Some(_) => {
                        format!("{line}; changed job files are wrong, the old ones are in force")
                    }
                    None => line,
                }
            }
        };
        self.manager.status(status);
    }
}

fn stored<H: Host>(host: &mut H, job: &Name) -> Option<Timestamp> {
    host.handled(job).unwrap_or_else(|error| {
        tracing::warn!("cannot read when `{job}` was last handled: {error}");
        None
    })
}

fn last_run<H: Host>(host: &mut H, job: &Name) -> Option<LastRun> {
    host.last_run(job).unwrap_or_else(|error| {
        tracing::warn!("cannot read the last run of `{job}`: {error}");
        None
    })
}

fn log(what: &str, result: io::Result<()>) {
    if let Err(error) = result {
        tracing::warn!("cannot {what}: {error}");
    }
}
