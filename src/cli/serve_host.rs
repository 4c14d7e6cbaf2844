//! What the service does through the rest of hayloft: each run is a child process of its own, so that an
//! idle service stays small and a run that dies takes nothing with it.

use std::io;
use std::path::Path;
use std::process::{Child, Command, ExitStatus, Stdio};

use jiff::{SignedDuration, Timestamp};

use super::settings::{AnyClock, Settings};
use super::tell;
use crate::jobs::{Colour, Config, Name, load};
use crate::mail::Outbox;
use crate::record::{Outcome, RunRecord, Store, StoreError, Trigger};
use crate::run::{Progress, RunLog, Runner, StopSignal, is_running, settle, skipped_record};
use crate::schedule::{Host, LastRun, RunEnd, Skipped};
use crate::system::clock::Clock;

/// The alarm that job files are wrong and the old ones are in force.
const BAD_FILES: &str = "job-files";

/// How soon the outbox is looked at again while a delivery goes on.
const DELIVERING: SignedDuration = SignedDuration::from_mins(1);

pub struct ServeHost<'a> {
    settings: &'a Settings,
    loaded: Option<Loaded>,
    leftovers_are_settled: bool,
    delivery: Option<Child>,
    log: RunLog,
    signal: StopSignal,
}

struct Loaded {
    config: Config,
    store: Store,
}

impl<'a> ServeHost<'a> {
    pub fn new(settings: &'a Settings, log: RunLog) -> Self {
        Self {
            settings,
            loaded: None,
            leftovers_are_settled: false,
            delivery: None,
            log,
            signal: StopSignal::default(),
        }
    }

    fn loaded(&self) -> io::Result<&Loaded> {
        self.loaded
            .as_ref()
            .ok_or_else(|| io::Error::other("no job files could be read yet"))
    }

    /// Does something with a runner, and mails the runs that came of it.
    fn with_runner(
        &self,
        act: impl FnOnce(&Runner) -> Result<Vec<RunRecord>, StoreError>,
    ) -> io::Result<()> {
        let loaded = self.loaded()?;
        let runner = Runner {
            config: &loaded.config,
            store: &loaded.store,
            clock: &self.settings.clock,
            signal: &self.signal,
            progress: &Progress::Silent,
            log: &self.log,
        };
        let runs = act(&runner).map_err(io::Error::other)?;
        runs.iter()
            .for_each(|run| tell::put(self.settings, &loaded.config, run));
        Ok(())
    }

    fn child(&self) -> io::Result<Command> {
        let mut command = Command::new(std::env::current_exe()?);
        command
            .arg("--config")
            .arg(&self.settings.folder)
            .stdin(Stdio::null());
        if let AnyClock::Shifted(clock) = self.settings.clock {
            command.arg("--clock").arg(clock.now().to_string());
        }
        Ok(command)
    }
}

impl Host for ServeHost<'_> {
    fn config_folder(&self) -> &Path {
        &self.settings.folder
    }

    fn load(&mut self) -> Result<Config, String> {
        let config = match load(&self.settings.folder) {
            Ok(loaded) => loaded.config,
            Err(diagnostics) => {
                let texts: Vec<String> = diagnostics
                    .iter()
                    .map(|one| one.render(Colour::Plain))
                    .collect();
                return Err(texts.join("\n"));
            }
        };
        let (store, notes) = Store::open_at(&config.server.state_dir, self.settings.clock.now())
            .map_err(|error| error.to_string())?;
        notes.iter().for_each(|note| tracing::warn!("{note}"));
        if let Err(error) = store
            .clear_alarm(BAD_FILES)
            .and_then(|_| store.prune(self.settings.clock.now()))
        {
            tracing::warn!("{error}");
        }
        self.loaded = Some(Loaded {
            config: config.clone(),
            store,
        });
        if let Err(error) = self.settle_leftovers() {
            tracing::warn!("what a cut-short run left could not be settled: {error}");
        }
        Ok(config)
    }

    /// The service asks for this before the files are read; it is done once they are.
    fn settle_leftovers(&mut self) -> io::Result<()> {
        if self.loaded.is_none() || self.leftovers_are_settled {
            return Ok(());
        }
        self.leftovers_are_settled = true;
        self.with_runner(settle::all)
    }

    fn handled(&mut self, job: &Name) -> io::Result<Option<Timestamp>> {
        self.loaded()?.store.handled(job).map_err(io::Error::other)
    }

    fn set_handled(&mut self, job: &Name, planned: Timestamp) -> io::Result<()> {
        self.loaded()?
            .store
            .set_handled(job, planned)
            .map_err(io::Error::other)
    }

    fn last_run(&mut self, job: &Name) -> io::Result<Option<LastRun>> {
        let loaded = self.loaded()?;
        last_run_of(&loaded.config, &loaded.store, job).map_err(io::Error::other)
    }

    fn start_run(&mut self, job: &Name, trigger: Trigger) -> io::Result<Child> {
        let mut command = self.child()?;
        command.args(["run", job.as_str()]).stdout(Stdio::null());
        if let Trigger::Schedule { planned } | Trigger::CatchUp { planned } = trigger {
            command.arg("--planned").arg(planned.to_string());
        }
        command.spawn()
    }

    fn run_ended(&mut self, job: &Name, _status: ExitStatus) -> io::Result<()> {
        self.with_runner(|runner| settle::one(runner, job))
    }

    fn record_skipped(&mut self, skipped: &Skipped) -> io::Result<()> {
        self.with_runner(|runner| {
            let job = runner.config.jobs.get(&skipped.job);
            job.map(|job| skipped_record(runner, job, skipped))
                .into_iter()
                .collect()
        })
    }

    /// Sending may take long, so it is done in a child process.
    fn deliver_mail_due(&mut self, now: Timestamp) -> Option<Timestamp> {
        if let Some(child) = &mut self.delivery
            && matches!(child.try_wait(), Ok(None))
        {
            return Some(now + DELIVERING);
        }
        self.delivery = None;
        let loaded = self.loaded.as_ref()?;
        loaded.config.mail.as_ref()?;
        let waiting = Outbox::open(&loaded.config.server.state_dir)
            .and_then(|outbox| outbox.waiting())
            .ok()?;
        let next_try = waiting.next_try?;
        if next_try > now {
            return Some(next_try);
        }
        match self
            .child()
            .and_then(|mut command| command.arg("deliver").spawn())
        {
            Ok(child) => self.delivery = Some(child),
            Err(error) => tracing::warn!("mail cannot be sent: {error}"),
        }
        Some(now + DELIVERING)
    }

    fn bad_files(&mut self, diagnostics: &str) {
        tracing::error!("the job files are wrong; those read before stay in force:\n{diagnostics}");
        if let Some(loaded) = &self.loaded {
            let words = format!(
                "the job files are wrong, and the old ones stay in force: {}",
                first_line(diagnostics)
            );
            if let Err(error) =
                loaded
                    .store
                    .raise_alarm(BAD_FILES, &words, self.settings.clock.now())
            {
                tracing::warn!("{error}");
            }
        }
    }
}

fn first_line(text: &str) -> &str {
    text.lines().next().unwrap_or("")
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
    let run = store.latest_run(job)?;
    Ok(run.map(|run| LastRun {
        started: run.started,
        end: match run.outcome {
            Some(outcome) if outcome.is_well() => RunEnd::Well,
            Some(outcome) => RunEnd::NotWell(outcome.words().to_owned()),
            None if is_running(&config.server.state_dir, job) => RunEnd::Unfinished,
            None => RunEnd::NotWell(Outcome::CutShort.words().to_owned()),
        },
    }))
}
