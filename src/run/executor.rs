//! Executes the steps of a plan, one after another. It does not know whether more than measuring was
//! asked for: it is given the steps to do.

use std::io;
use std::path::Path;
use std::time::{Duration, Instant};

use tracing::{error, info};

use super::catalogue_keeper::CatalogueKeeper;
use super::control::StopSignal;
use super::drive_hands::DriveHands;
use super::progress::Progress;
use super::watch::{Watch, full};
use crate::jobs::On;
use crate::plan::{Act, CatalogueAct, Landing, Part, Plan, Step, Stop, check_changes};
use crate::record::{Changes, Outcome, StepRecord};
use crate::system::local_drive::{HeldDrive, Purpose};
use crate::system::remote_drive::probe;
use crate::tools::rsync_output::{Item, What};

/// What came of the steps.
#[derive(Debug, Default)]
pub struct Executed {
    /// The first thing that went wrong.
    pub stop: Option<Stop>,
    pub notes: Vec<String>,
    pub changes: Option<Changes>,
    /// The first names that differ.
    pub first: Vec<Item>,
    pub steps: Vec<StepRecord>,
}

/// What the steps are done with.
pub struct Executor<'a> {
    pub plan: &'a Plan,
    pub held: Option<&'a HeldDrive>,
    pub signal: &'a StopSignal,
    pub progress: &'a Progress,
    /// Bytes to stay free on the drive.
    pub reserve: u64,
    /// Absent in a dry run, whose steps change nothing.
    pub keeper: Option<CatalogueKeeper<'a>>,
    pub done: Executed,
    /// Set by the first step; the plan's timeout counts from there.
    pub(super) deadline: Option<(Instant, Duration)>,
}

impl<'a> Executor<'a> {
    pub fn new(
        plan: &'a Plan,
        held: Option<&'a HeldDrive>,
        signal: &'a StopSignal,
        progress: &'a Progress,
    ) -> Self {
        Self {
            plan,
            held,
            signal,
            progress,
            reserve: 0,
            keeper: None,
            done: Executed::default(),
            deadline: plan.timeout.map(|limit| (Instant::now() + limit, limit)),
        }
    }

    /// Does each step whose turn it is, given the run so far.
    pub fn execute<'s>(&mut self, steps: impl IntoIterator<Item = &'s Step>) {
        for step in steps {
            let wanted = match step.on {
                On::Always => true,
                On::Success => self.done.stop.is_none(),
                On::Failure => self.done.stop.is_some(),
            };
            if wanted {
                self.step(step);
            }
        }
        self.progress.finish();
    }

    fn step(&mut self, step: &Step) {
        let commands = step.commands();
        info!("{}", step.words);
        for command in &commands {
            info!("  {command}");
        }
        let bytes = self
            .done
            .changes
            .filter(|_| step.part == Part::Copy)
            .map(|changes| changes.new_bytes);
        self.progress.begin(&step.words, bytes);
        let begun = Instant::now();
        let result = self.perform(step);
        let status = match &result {
            Ok(words) => words.clone(),
            Err(stop) => stop.reason.clone(),
        };
        self.done.steps.push(StepRecord {
            words: step.words.clone(),
            commands,
            ended_well: result.is_ok(),
            status,
            seconds: begun.elapsed().as_secs_f64(),
        });
        if let Err(stop) = result {
            error!("{}: {}", step.words, stop.reason);
            self.fail(step, stop);
        }
    }

    /// The first trouble is the run's; what follows is told as a note.
    fn fail(&mut self, step: &Step, stop: Stop) {
        if self.done.stop.is_some() {
            self.done
                .notes
                .push(format!("{}: {}", step.words, stop.reason));
        } else {
            self.done.stop = Some(stop);
        }
    }

    fn perform(&mut self, step: &Step) -> Result<String, Stop> {
        match &step.act {
            Act::Tool(pipeline) => self.tool(step, pipeline),
            Act::Drive(act) => {
                self.still_there()?;
                let hands = self.hands()?;
                hands
                    .perform(act)
                    .map_err(|error| self.drive_error(&error))?;
                Ok("done".to_owned())
            }
            Act::Check(check) => {
                let changes = self.done.changes.unwrap_or_default();
                let space = self.space();
                match check_changes(check, &changes, self.plan.against.as_ref(), space) {
                    Some(stop) => Err(stop),
                    None => Ok("allowed".to_owned()),
                }
            }
            Act::RefuseExisting { target } => self.refuse_existing(target),
            Act::Catalogue(act) => self.catalogue(act),
        }
    }

    pub(super) fn hands(&self) -> Result<DriveHands<'a>, Stop> {
        let held = self
            .held
            .ok_or_else(|| Stop::new(Outcome::Failed, "the drive is not held"))?;
        Ok(DriveHands {
            held,
            landing: &self.plan.landing,
        })
    }

    /// Nothing that is at the target and differs may be lost.
    fn refuse_existing(&self, target: &Path) -> Result<String, Stop> {
        let differing = self.done.changes.map_or(0, |changes| changes.changed);
        if differing == 0 {
            return Ok("nothing there differs".to_owned());
        }
        let there = self
            .done
            .first
            .iter()
            .filter(|item| item.what != What::Created);
        let names: Vec<String> = there
            .take(3)
            .map(|item| format!("`{}`", item.name))
            .collect();
        let reason = format!(
            "{differing} files are below `{}` already and differ, such as {}",
            target.display(),
            names.join(", ")
        );
        Err(Stop::new(Outcome::Failed, reason)
            .advise("nothing was written; bring the files back to an empty folder and compare")
            .advise("or, if those at the target are to be lost: `--replace`"))
    }

    fn catalogue(&mut self, act: &CatalogueAct) -> Result<String, Stop> {
        self.still_there()?;
        let changes = self.done.changes.unwrap_or_default();
        let Some(keeper) = self.keeper.as_mut() else {
            return Err(Stop::new(Outcome::Failed, "no catalogue to write to"));
        };
        let hands = self.held.map(|held| DriveHands {
            held,
            landing: &self.plan.landing,
        });
        keeper.record(act, self.plan, &changes, hands).map_err(|error| {
            Stop::new(Outcome::Failed, format!("the catalogue could not be written: {error}"))
                .advise("the copy itself is whole; `hayloft check --rebuild` brings it into the catalogue")
        })?;
        Ok("done".to_owned())
    }

    /// A held file system that is no longer mounted must not be counted as a copy.
    fn still_there(&self) -> Result<(), Stop> {
        match self.held {
            Some(held) if !held.is_still_there() => {
                Err(Watch::new(&self.plan.landing, 0, self.held).lost())
            }
            _ => Ok(()),
        }
    }

    /// What is free on the drive now.
    pub fn space(&self) -> Option<crate::plan::Space> {
        let landing = &self.plan.landing;
        match (self.held, landing.ssh()) {
            (Some(held), _) => held.space().ok(),
            (None, Some(line)) => {
                probe(&landing.drive, line, drive_path(landing), Purpose::Reading).ok()
            }
            (None, None) => None,
        }
    }

    pub(super) fn drive_error(&self, error: &io::Error) -> Stop {
        match error.kind() {
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
                self.no_room(&error.to_string())
            }
            io::ErrorKind::ReadOnlyFilesystem => {
                Stop::new(Outcome::DriveReadOnly, error.to_string())
                    .advise("the kernel may have found the file system damaged: look at `dmesg`")
            }
            _ => Stop::new(Outcome::Failed, error.to_string()),
        }
    }

    pub(super) fn no_room(&self, words: &str) -> Stop {
        let mut stop = match self.space() {
            Some(space) => full(
                &self.plan.landing.drive,
                space,
                self.reserve.max(space.free + 1),
            ),
            None => Stop::new(Outcome::DriveFull, String::new()),
        };
        stop.reason = format!("drive `{}` is full: {words}", self.plan.landing.drive);
        stop
    }
}

fn drive_path(landing: &Landing) -> &Path {
    let (crate::plan::Base::Local(path) | crate::plan::Base::Ssh { path, .. }) = &landing.base;
    path
}
