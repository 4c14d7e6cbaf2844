//! `hayloft run`

use super::arguments::RunArguments;
use super::settings::{Settings, job_named, trouble};
use super::{dry_run, due, tell};
use crate::exit::Exit;
use crate::jobs::{Config, Job};
use crate::keep::Consent;
use crate::plan::Allowance;
use crate::record::{Outcome, RunRecord, Store, Trigger};
use crate::run::{Progress, RunLog, Runner, StopSignal, Wanted, trigger_for};
use crate::system::clock::Clock;
use crate::tree::make_room;

pub fn run(settings: &Settings, wanted: &RunArguments) -> Exit {
    match try_run(settings, wanted) {
        Ok(exit) | Err(exit) => exit,
    }
}

fn try_run(settings: &Settings, wanted: &RunArguments) -> Result<Exit, Exit> {
    make_room();
    let config = settings.config()?;
    let jobs = wanted
        .jobs
        .iter()
        .map(|name| job_named(&config, name))
        .collect::<Result<Vec<_>, _>>()?;
    let allowance = if wanted.accept.accept_changes {
        Allowance::AcceptChanges
    } else {
        Allowance::Usual
    };
    let consent = if wanted.accept.accept_retiring {
        Consent::Given
    } else {
        Consent::UpToHalf
    };
    if wanted.dry_run {
        let exits = jobs
            .iter()
            .map(|job| dry_run::dry_run(settings, &config, job, allowance, consent));
        return Ok(exits.fold(Exit::Well, Exit::and));
    }
    let store = settings.store(&config)?;
    tell::damage(settings, &config, &store).map_err(|error| trouble(&error))?;
    let mailing = match wanted.planned {
        // a slow mail server must not hold up the jobs behind this one
        Some(_) => Mailing::ByService,
        None => Mailing::AtOnce,
    };
    let session =
        Session::begin(settings, &config, &store, mailing).map_err(|error| trouble(&error))?;
    if wanted.due {
        return due::run_due(&session);
    }
    let mut exit = Exit::Well;
    for job in jobs {
        let trigger = trigger_for(wanted.planned, settings.clock.now());
        exit = exit.and(session.run(job, trigger, allowance, consent)?);
        if session.signal.is_set() {
            break;
        }
    }
    Ok(exit)
}

/// Who sends the reports.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mailing {
    AtOnce,
    /// They are put into the outbox; the service that started this run sends them.
    ByService,
}

/// Everything that runs in this process share.
pub struct Session<'a> {
    pub settings: &'a Settings,
    pub config: &'a Config,
    pub store: &'a Store,
    pub signal: StopSignal,
    mailing: Mailing,
    progress: Progress,
    log: RunLog,
}

impl<'a> Session<'a> {
    pub fn begin(
        settings: &'a Settings,
        config: &'a Config,
        store: &'a Store,
        mailing: Mailing,
    ) -> std::io::Result<Self> {
        Ok(Self {
            settings,
            config,
            store,
            signal: StopSignal::listen()?,
            mailing,
            progress: Progress::for_this_terminal(),
            log: RunLog::install(),
        })
    }

    pub fn runner(&self) -> Runner<'_> {
        Runner {
            config: self.config,
            store: self.store,
            clock: &self.settings.clock,
            signal: &self.signal,
            progress: &self.progress,
            log: &self.log,
        }
    }

    /// Runs one job, prints its report and mails it.
    ///
    /// # Errors
    /// [`Exit::Trouble`] when the record cannot be written, after telling.
    pub fn run(
        &self,
        job: &Job,
        trigger: Trigger,
        allowance: Allowance,
        consent: Consent,
    ) -> Result<Exit, Exit> {
        let wanted = Wanted {
            job,
            trigger,
            allowance,
            consent,
        };
        self.progress.heading(job.name.as_str());
        let run = self.runner().run(wanted).map_err(|error| trouble(&error))?;
        Ok(self.tell(&run))
    }

    /// Prints the report of a run and mails it.
    pub fn tell(&self, run: &RunRecord) -> Exit {
        tell::print(self.settings, self.config, run);
        let outcome = run.outcome.unwrap_or(Outcome::Failed);
        match self.mailing {
            _ if outcome == Outcome::Busy => {}
            Mailing::AtOnce => tell::mail(self.settings, self.config, run),
            Mailing::ByService => tell::put(self.settings, self.config, run),
        }
        match tell::held_back(self.settings, self.config, self.store, &run.job) {
            Ok(()) => Exit::of(outcome),
            Err(error) => trouble(&error),
        }
    }
}
