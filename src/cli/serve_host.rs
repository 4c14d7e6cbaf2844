//! What the service does through the rest of hayloft: each run is a child process of its own, so that an
//! idle service stays small and a run that dies takes nothing with it. For the same reasons the record is
//! opened for each look: an idle service holds none of it, and one that was set aside is not written to.

use std::collections::BTreeMap;
use std::io;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};

use jiff::{SignedDuration, Timestamp};

use super::settings::{AnyClock, Settings};
use super::{files_in_force, tell};
use crate::jobs::{Config, Name, load};
use crate::mail::Outbox;
use crate::record::{Outcome, RunRecord, Store, StoreError, Trigger};
use crate::run::{
    Lock, LockError, Progress, RunLog, Runner, StopSignal, lock_service, settle, skipped_record,
};
use crate::schedule::{Host, LastRun, RunEnd, Skipped};
use crate::system::clock::Clock;

/// How soon the outbox is looked at again while a delivery goes on.
const DELIVERING: SignedDuration = SignedDuration::from_mins(1);

pub struct ServeHost<'a> {
    settings: &'a Settings,
    config: Option<Config>,
    /// Where runs read their files: the copy in force, or those of the administrator if there is none.
    files: PathBuf,
    /// The state folder in use, and that it is ours alone.
    lock: Option<(PathBuf, Lock)>,
    started: BTreeMap<Name, Started>,
    /// Processes that settle what cut-short runs left.
    settling: Vec<Child>,
    /// A delivery that goes on, and when it began.
    delivery: Option<(Child, Timestamp)>,
    /// When the last delivery that ended began.
    delivered: Option<Timestamp>,
    log: RunLog,
    signal: StopSignal,
}

/// A run whose process was started.
#[derive(Debug, Clone, Copy)]
struct Started {
    at: Timestamp,
    planned: Timestamp,
}

impl<'a> ServeHost<'a> {
    pub fn new(settings: &'a Settings, log: RunLog) -> Self {
        Self {
            settings,
            config: None,
            files: settings.folder.clone(),
            lock: None,
            started: BTreeMap::new(),
            settling: Vec::new(),
            delivery: None,
            delivered: None,
            log,
            signal: StopSignal::default(),
        }
    }

    /// Makes sure that no other service works on this state folder.
    ///
    /// # Errors
    /// [`LockError::Held`] when one does.
    pub fn claim(&mut self, state_dir: &Path) -> Result<(), LockError> {
        if self.lock.as_ref().is_none_or(|(held, _)| held != state_dir) {
            self.lock = Some((state_dir.to_owned(), lock_service(state_dir)?));
        }
        Ok(())
    }

    fn config(&self) -> io::Result<&Config> {
        self.config
            .as_ref()
            .ok_or_else(|| io::Error::other("no job files could be read yet"))
    }

    /// The record of the configuration in force.
    fn store(&self) -> io::Result<Store> {
        tell::open_store(self.settings, self.config()?).map_err(io::Error::other)
    }

    /// Does something with a runner, and mails the runs that came of it.
    fn with_runner(
        &self,
        act: impl FnOnce(&Runner) -> Result<Vec<RunRecord>, StoreError>,
    ) -> io::Result<()> {
        let (config, store) = (self.config()?, self.store()?);
        let runner = Runner {
            config,
            store: &store,
            clock: &self.settings.clock,
            signal: &self.signal,
            progress: &Progress::Silent,
            log: &self.log,
        };
        let runs = act(&runner).map_err(io::Error::other)?;
        for run in &runs {
            tell::put(self.settings, config, run);
        }
        Ok(())
    }

    fn child(&self) -> io::Result<Command> {
        let mut command = Command::new(std::env::current_exe()?);
        command
            .arg("--config")
            .arg(&self.files)
            .stdin(Stdio::null());
        if let AnyClock::Shifted(clock) = self.settings.clock {
            command.arg("--clock").arg(clock.now().to_string());
        }
        Ok(command)
    }

    /// Steps that are owed may take long, and the service must go on meanwhile.
    fn settle(&mut self, job: Option<&Name>) -> io::Result<()> {
        let mut command = self.child()?;
        command.arg("settle").args(job.map(Name::as_str));
        self.settling.push(command.spawn()?);
        Ok(())
    }

    /// Serves by `config` from now on.
    fn take_up(&mut self, config: &Config) -> Result<(), String> {
        self.claim(&config.server.state_dir)
            .map_err(|error| error.to_string())?;
        let store = tell::open_store(self.settings, config).map_err(|error| error.to_string())?;
        if let Err(error) = store.prune(self.settings.clock.now()) {
            tracing::warn!("{error}");
        }
        self.config = Some(config.clone());
        Ok(())
    }

    /// A run that ended without a record of its own would otherwise be a silent one.
    fn tell_unrecorded(&self, job: &Name, started: Started, status: ExitStatus) -> io::Result<()> {
        let latest = self.store()?.latest_run(job).map_err(io::Error::other)?;
        let a_second = SignedDuration::from_secs(1);
        if latest.is_some_and(|run| run.started + a_second >= started.at) {
            return Ok(());
        }
        self.record_not_run(&Skipped {
            job: job.clone(),
            planned: started.planned,
            outcome: Outcome::Failed,
            reason: format!(
                "the run ended before it began ({status}); the journal of the service tells more"
            ),
        })
    }

    fn record_not_run(&self, skipped: &Skipped) -> io::Result<()> {
        self.with_runner(|runner| {
            let job = runner.config.jobs.get(&skipped.job);
            job.map(|job| skipped_record(runner, job, skipped))
                .into_iter()
                .collect()
        })
    }
}

impl Host for ServeHost<'_> {
    fn config_folder(&self) -> &Path {
        &self.settings.folder
    }

    fn load(&mut self) -> Result<Config, String> {
        let config = load(&self.settings.folder)
            .map_err(|diagnostics| tell::mistakes(&diagnostics))?
            .config;
        self.take_up(&config)?;
        self.files = files_in_force::keep(&config).unwrap_or_else(|error| {
            tracing::warn!("no copy of the files in force can be kept: {error}");
            self.settings.folder.clone()
        });
        if let Err(error) = tell::files_are_right(self.settings, &config) {
            tracing::warn!("{error}");
        }
        Ok(config)
    }

    fn load_kept(&mut self) -> Option<Config> {
        let config = files_in_force::kept_for(&self.settings.folder)?;
        if let Err(error) = self.take_up(&config) {
            tracing::error!("the files kept from before cannot be used: {error}");
            return None;
        }
        self.files.clone_from(&config.folder);
        Some(config)
    }

    fn settle_leftovers(&mut self) -> io::Result<()> {
        self.settle(None)
    }

    fn handled(&mut self, job: &Name) -> io::Result<Option<Timestamp>> {
        self.store()?.handled(job).map_err(io::Error::other)
    }

    fn set_handled(&mut self, job: &Name, planned: Timestamp) -> io::Result<()> {
        self.store()?
            .set_handled(job, planned)
            .map_err(io::Error::other)
    }

    fn last_run(&mut self, job: &Name) -> io::Result<Option<LastRun>> {
        last_run_of(self.config()?, &self.store()?, job).map_err(io::Error::other)
    }

    fn start_run(&mut self, job: &Name, trigger: Trigger) -> io::Result<Child> {
        let at = self.settings.clock.now();
        let mut command = self.child()?;
        command.args(["run", job.as_str()]).stdout(Stdio::null());
        if let Trigger::Schedule { planned } | Trigger::CatchUp { planned } = trigger {
            command.arg("--planned").arg(planned.to_string());
            self.started.insert(job.clone(), Started { at, planned });
        }
        command.spawn()
    }

    fn run_ended(&mut self, job: &Name, status: ExitStatus) -> io::Result<()> {
        let is_needed = settle::is_needed(&self.config()?.server.state_dir, &self.store()?, job);
        let settled = if is_needed.map_err(io::Error::other)? {
            self.settle(Some(job))
        } else {
            Ok(())
        };
        let told = match self.started.remove(job) {
            Some(started) if !status.success() => self.tell_unrecorded(job, started, status),
            _ => Ok(()),
        };
        settled.and(told)
    }

    fn slice_handled(&mut self, drive: &Name) -> io::Result<Option<Timestamp>> {
        self.store()?
            .reread_handled(drive)
            .map_err(io::Error::other)
    }

    fn set_slice_handled(&mut self, drive: &Name, planned: Timestamp) -> io::Result<()> {
        self.store()?
            .set_reread_handled(drive, planned)
            .map_err(io::Error::other)
    }

    fn start_slice(&mut self, drive: &Name, planned: Timestamp) -> io::Result<Child> {
        let mut command = self.child()?;
        command
            .args(["verify", "--slice", drive.as_str(), "--planned"])
            .arg(planned.to_string())
            .stdout(Stdio::null());
        command.spawn()
    }

    fn record_skipped(&mut self, skipped: &Skipped) -> io::Result<()> {
        self.record_not_run(skipped)
    }

    fn outbox(&self) -> Option<PathBuf> {
        let config = self.config.as_ref()?;
        config.mail.as_ref()?;
        let outbox = Outbox::open(&config.server.state_dir).ok()?;
        Some(outbox.folder().to_owned())
    }

    fn reap_delivery(&mut self) -> bool {
        self.settling
            .retain_mut(|child| matches!(child.try_wait(), Ok(None)));
        let Some((child, begun)) = &mut self.delivery else {
            return false;
        };
        if matches!(child.try_wait(), Ok(None)) {
            return false;
        }
        self.delivered = Some(*begun);
        self.delivery = None;
        true
    }

    /// Sending may take long, so it is done in a child process.
    fn deliver_mail_due(&mut self, now: Timestamp) -> Option<Timestamp> {
        self.reap_delivery();
        if self.delivery.is_some() {
            return Some(now + DELIVERING);
        }
        let config = self.config.as_ref()?;
        config.mail.as_ref()?;
        let waiting = Outbox::open(&config.server.state_dir)
            .and_then(|outbox| outbox.waiting())
            .ok()?;
        let next_try = waiting.next_try?;
        if next_try > now {
            return Some(next_try);
        }
        // what was due when the last delivery began and still is, that one could not even try
        if let Some(begun) = self.delivered
            && next_try <= begun
            && (begun..begun + DELIVERING).contains(&now)
        {
            return Some(begun + DELIVERING);
        }
        match self
            .child()
            .and_then(|mut command| command.arg("deliver").spawn())
        {
            Ok(child) => self.delivery = Some((child, now)),
            Err(error) => tracing::warn!("mail cannot be sent: {error}"),
        }
        Some(now + DELIVERING)
    }

    fn bad_files(&mut self, diagnostics: &str) {
        let Some(config) = &self.config else { return };
        if let Err(error) = tell::files_are_wrong(self.settings, config, diagnostics) {
            tracing::warn!("{error}");
        }
    }
}

/// The newest record of a job; one without an end counts as unfinished only while its process lives.
///
/// # Errors
/// When the record cannot be read.
pub fn last_run_of(
    config: &Config,
    store: &Store,
    job: &Name,
) -> Result<Option<LastRun>, StoreError> {
    let Some(mut run) = store.latest_run(job)? else {
        return Ok(None);
    };
    if run.outcome.is_none() && settle::was_cut_short(&config.server.state_dir, store, &run)? {
        run.outcome = Some(Outcome::CutShort);
    } else if run.outcome.is_none() {
        // it may have ended while we looked
        run = store.run(&run.id)?.unwrap_or(run);
    }
    Ok(Some(LastRun {
        started: run.started,
        end: match run.outcome {
            Some(outcome) if outcome.is_well() => RunEnd::Well,
            Some(outcome) => RunEnd::NotWell(outcome.words().to_owned()),
            None => RunEnd::Unfinished,
        },
    }))
}
