//! Executes the steps of a plan, one after another. It does not know whether more than measuring was
//! asked for: it is given the steps to do.

use std::io;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Instant;

use tracing::{error, info};

use super::catalogue_keeper::CatalogueKeeper;
use super::control::{Limit, LimitOf, StopSignal};
use super::drive_hands::DriveHands;
use super::members::Kept;
use super::native_step::Work;
use super::progress::Progress;
use super::verifying::{Looked, Manner};
use super::watch::{Watch, full};
use crate::jobs::{KindName, On};
use crate::keep::Night;
use crate::plan::{Act, CatalogueAct, Check, Part, Plan, Step, Stop, check_changes};
use crate::prove::manifest::Time;
use crate::record::{Changes, Export, Exported, Form, Outcome, StepRecord};
use crate::report::counted;
use crate::system::local_drive::{HeldDrive, Purpose};
use crate::system::remote_drive::probe;
use crate::system::subvolumes::subvolumes;
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
    /// What a new generation changed of the drive's space, where it is known.
    pub night: Option<Night>,
    /// What came of looking at copies.
    pub looked: Vec<Looked>,
    /// The members of an export.
    pub exported: Vec<Exported>,
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
    /// When the copying began, by the clock that file times are taken from.
    pub(super) begun: Time,
    /// What the native steps of a copy hand on to each other.
    pub(super) work: Option<Work>,
    /// On the server: a folder for what is of no use afterwards.
    pub scratch: PathBuf,
    /// Members of an export that is being made, or was taken apart.
    pub(super) members: Vec<Arc<Kept>>,
    /// What the export says of itself that was taken apart.
    pub export: Option<Export>,
    /// How copies are looked at.
    pub manner: Manner<'a>,
    /// Set by the first step; the plan's timeout counts from there.
    pub(super) deadline: Option<(Instant, Limit)>,
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
            begun: crate::tree::now(),
            work: None,
            scratch: PathBuf::new(),
            members: Vec::new(),
            export: None,
            manner: Manner::ALONE,
            deadline: plan.timeout.map(|time| {
                let limit = Limit {
                    time,
                    of: LimitOf::Run,
                };
                (Instant::now() + time, limit)
            }),
        }
    }

    /// What was kept of an export that was taken apart, or is being made.
    pub fn members(&self) -> impl Iterator<Item = &Kept> {
        self.members.iter().map(|kept| &**kept)
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
            let ran_full = stop.outcome == Outcome::DriveFull && step.part == Part::Copy;
            self.done.stop = Some(stop);
            if ran_full && matches!(step.act, Act::Tool(_) | Act::Native(_)) {
                self.give_back();
            }
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
                if self
                    .refused(check)
                    .is_some_and(|stop| stop.outcome == Outcome::DriveFull)
                {
                    for step in &check.give_up {
                        self.step(step);
                    }
                }
                self.refused(check).map_or(Ok("allowed".to_owned()), Err)
            }
            Act::RefuseExisting { target } => self.refuse_existing(target),
            Act::Catalogue(act) => self.catalogue(act),
            Act::Native(act) => self.native(step, act),
            Act::Verify(verify) => self.verify(verify),
            Act::Mend(mend) => self.mend(mend),
        }
    }

    fn refused(&self, check: &Check) -> Option<Stop> {
        let changes = self.done.changes.unwrap_or_default();
        check_changes(check, &changes, self.plan.against.as_ref(), self.space())
    }

    /// A copy that found no room is not kept to be used again: the reserve belongs to every job.
    fn give_back(&mut self) {
        if self.plan.form == Form::Current {
            return;
        }
        let partial = format!("{}.partial", self.plan.form.entry(self.plan.generation));
        let landing = &self.plan.landing;
        let is_subvolume = self.held.is_some_and(|held| {
            subvolumes(held.root(), &landing.folder).is_ok_and(|found| found.contains(&partial))
        });
        let act = if is_subvolume {
            landing.remove_subvolume(&partial)
        } else {
            landing.remove(&partial)
        };
        let words = "remove what was copied, to give its room back";
        self.step(&Step::new(Part::Copy, words, act));
        let (form, name) = (self.plan.form, self.plan.generation);
        let inventory = (self.plan.kind == KindName::Settings).then(|| name.inventory());
        let beside = inventory.into_iter().chain(form.contents(name));
        for text in beside.chain([form.manifest(name)]) {
            let act = landing.remove(&format!("{text}.partial"));
            self.step(&Step::new(Part::Copy, words, act));
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
            "{} below `{}` already and {}, such as {}",
            counted(differing, "file is", "files are"),
            target.display(),
            if differing == 1 { "differs" } else { "differ" },
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
        let recorded = keeper.record(act, self.plan, &changes, hands);
        recorded.map_err(|error| {
            let mut stop = self.drive_error(&error);
            stop.reason = format!("the catalogue could not be written: {}", stop.reason);
            stop.advise("what lies whole on the drive is listed by the next run")
        })?;
        Ok("done".to_owned())
    }

    /// A held file system that is no longer mounted must not be counted as a copy.
    pub(super) fn still_there(&self) -> Result<(), Stop> {
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
                probe(&landing.drive, line, landing.drive_path(), Purpose::Reading).ok()
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
