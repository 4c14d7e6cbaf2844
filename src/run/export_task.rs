//! What is done with an export: it is loaded into its service, or rehearsed.

use std::path::PathBuf;

use super::executor::{Executed, Executor};
use super::job_run::Runner;
use super::locks::{self, LockError, Sharing};
use super::owed::{self, Owed};
use super::services::Service;
use super::verify_run::{Which, choose};
use super::{settle, wording};
use crate::jobs::{Job, Kind};
use crate::plan::{DriveState, Part, Plan, Step, Stop};
use crate::record::{Generation, GenerationName, Outcome, RunRecord, StoreError, Task, Trigger};
use crate::report::counted;
use crate::restore::{Opening, open_export};
use crate::system::Gathered;
use crate::system::swap::plain_swaps;
use crate::tools::Existing;
use crate::tools::seal::Opener;

/// An export that something is to be done with.
#[derive(Debug, Clone)]
pub struct ExportWanted<'a> {
    pub job: &'a Job,
    /// The newest unless given.
    pub from: Option<GenerationName>,
    /// A secret given by hand, rather than the job's own.
    pub opener: Option<Opener>,
    pub aim: Aim,
}

#[derive(Debug, Clone)]
pub enum Aim {
    /// Into the service of this server.
    Load {
        existing: Existing,
        /// Where what was there is kept, if the service cannot keep it itself.
        keeping: PathBuf,
    },
    /// Into a service made for the purpose, in this folder, where nothing else lies.
    Rehearse {
        folder: PathBuf,
        /// The most that it may take, in bytes.
        most: Option<u64>,
    },
}

impl Runner<'_> {
    /// One that finds the job in use is [`Outcome::Busy`] and leaves no record.
    ///
    /// # Errors
    /// When the record cannot be written.
    pub fn with_export(&self, wanted: &ExportWanted) -> Result<RunRecord, StoreError> {
        let (job, state_dir) = (wanted.job, &self.config.server.state_dir);
        let id = self.store.new_run_id(&job.name, self.clock.now())?;
        let lock = wanted.lock(state_dir);
        let mut record = RunRecord {
            task: wanted.task(),
            ..self.blank(job, Trigger::Hand, id, self.config.drive_of(job))
        };
        let _lock = match lock {
            Ok(lock) => lock,
            Err(error) => return Ok(self.not_begun(record, &error)),
        };
        let service_lock = match wanted.aim {
            Aim::Load { .. } => locks::lock_service_of(state_dir, job, Sharing::Alone),
            Aim::Rehearse { .. } => Ok(None),
        };
        let _service_lock = match service_lock {
            Ok(lock) => lock,
            Err(error) => return Ok(self.not_begun(record, &error)),
        };
        self.begin_log(&mut record);
        self.store.begin_run(&record)?;
        if let Aim::Load { .. } = wanted.aim {
            // what an earlier one set aside comes back before this one looks at what is there
            record
                .notes
                .extend(settle::cut_short_runs(self, &job.name, &record.id)?);
        }
        let went = match (&wanted.aim, settle::not_undone(state_dir, &job.name)) {
            (Aim::Load { .. }, Some(stop)) => Err(stop),
            _ => self.open_and_go(wanted, &mut record),
        };
        conclude(&mut record, went);
        self.finish(&mut record);
        record.next = None;
        self.store.finish_run(&record)?;
        Ok(record)
    }

    /// Opens the export and plans what is done with it. Reads only.
    ///
    /// # Errors
    /// Why it cannot be done.
    pub fn plan_export(&self, wanted: &ExportWanted) -> Result<Plan, Stop> {
        let mut record = self.blank(
            wanted.job,
            Trigger::Hand,
            String::new(),
            self.config.drive_of(wanted.job),
        );
        let gathered = self.look(wanted.job, record.started);
        let generation = newest(wanted, &gathered)?;
        let opening = opening(wanted, &gathered, &generation);
        let service = Service::of(wanted.job)?;
        self.open_and_plan(wanted, (&opening, &gathered), &service, &mut record)
            .map(|(_, plan)| plan)
    }

    fn open_and_plan(
        &self,
        wanted: &ExportWanted,
        (opening, gathered): (&Opening, &Gathered),
        service: &Service,
        record: &mut RunRecord,
    ) -> Result<(Opened, Plan), Stop> {
        let mut first = open_export(opening, record.started);
        first.steps.extend(service.first_steps());
        let opened = self.do_steps(&first, gathered, None, record)?;
        let plan = service.plan(wanted, opening, &opened, record.started)?;
        Ok((opened, plan))
    }

    fn open_and_go(&self, wanted: &ExportWanted, record: &mut RunRecord) -> Result<(), Stop> {
        let gathered = self.look(wanted.job, record.started);
        record.landing = gathered.facts.landing.address();
        let generation = newest(wanted, &gathered)?;
        record.generation = Some(generation.name);
        record.form = Some(generation.form);
        let opening = opening(wanted, &gathered, &generation);
        let service = Service::of(wanted.job)?;
        let (opened, plan) = self.open_and_plan(wanted, (&opening, &gathered), &service, record)?;
        if let Aim::Rehearse { .. } = wanted.aim {
            record.notes.extend(may_be_swapped());
        }
        let is_owed = self.owe_way_back(wanted, &plan, record)?;
        let done = self.do_steps(&plan, &gathered, Some(opened), record);
        let ended = match &done {
            Ok(_) => LoadEnd::Loaded,
            Err(_) if is_back(&plan, record) => LoadEnd::PutBack,
            Err(_) => LoadEnd::NotPutBack,
        };
        if is_owed && ended != LoadEnd::NotPutBack {
            self.strike_off(wanted, record);
        }
        record.notes.extend(Service::notes(wanted, &plan, ended));
        record.reason = words(wanted, &done.map_err(|stop| wanted.or_full(stop))?);
        Ok(())
    }

    fn strike_off(&self, wanted: &ExportWanted, record: &mut RunRecord) {
        if let Err(error) = owed::settle(&self.config.server.state_dir, &wanted.job.name) {
            record.notes.push(format!(
                "cannot strike off the steps that were owed: {error}"
            ));
        }
    }

    /// Does all steps of a plan, with the members that an earlier one left.
    pub(super) fn do_steps(
        &self,
        plan: &Plan,
        gathered: &Gathered,
        before: Option<Opened>,
        record: &mut RunRecord,
    ) -> Result<Opened, Stop> {
        if let Some(stop) = plan.stops.first() {
            return Err(stop.clone());
        }
        let mut executor = Executor::new(plan, gathered.held.as_ref(), self.signal, self.progress);
        executor.scratch.clone_from(&gathered.facts.indexes);
        if let Some(before) = before {
            executor.members = before.members;
            executor.export = before.export;
        }
        executor.execute(&plan.steps);
        let Executed {
            stop, notes, steps, ..
        } = std::mem::take(&mut executor.done);
        record.steps.extend(steps);
        record.notes.extend(notes);
        match stop {
            Some(stop) => Err(stop),
            None => Ok(Opened {
                members: executor.members,
                export: executor.export,
            }),
        }
    }

    /// Should this process be killed or the power be cut, the next start does what puts the service back. Gives whether
    /// there is anything to do then.
    fn owe_way_back(
        &self,
        wanted: &ExportWanted,
        plan: &Plan,
        record: &RunRecord,
    ) -> Result<bool, Stop> {
        let Some(owed) = Owed::of(&wanted.job.name, (&record.id, record.task), &plan.steps) else {
            return Ok(false);
        };
        let written = owed.write(&self.config.server.state_dir).map(|()| true);
        written.map_err(|error| {
            let reason = format!(
                "cannot write down how the service is put back: {error}; nothing was changed"
            );
            Stop::new(Outcome::Failed, reason)
        })
    }
}

/// The members of an export that was taken apart, and what it says of itself.
pub struct Opened {
    pub members: Vec<std::sync::Arc<super::members::Kept>>,
    pub export: Option<crate::record::Export>,
}

impl ExportWanted<'_> {
    /// A program that found no room in the place of a rehearsal does not always say so: mdb speaks of an input/output
    /// error.
    fn or_full(&self, stop: Stop) -> Stop {
        let Aim::Rehearse { folder, .. } = &self.aim else {
            return stop;
        };
        let is_full = rustix::fs::statvfs(folder)
            .is_ok_and(|space| space.f_blocks > 0 && space.f_bfree * 16 < space.f_blocks);
        if !is_full || stop.advice.iter().any(|line| line.contains("--space")) {
            return stop;
        }
        stop.advise("the place of the rehearsal is full: `--space SIZE` gives it more memory")
    }

    fn task(&self) -> Task {
        match self.aim {
            Aim::Load { .. } => Task::Load,
            Aim::Rehearse { .. } => Task::Rehearse,
        }
    }

    fn lock(&self, state_dir: &std::path::Path) -> Result<locks::Lock, LockError> {
        let job = &self.job.name;
        match self.aim {
            Aim::Load { .. } => locks::lock_job(state_dir, job, &format!("a load of `{job}`")),
            Aim::Rehearse { .. } => locks::lock_rehearse(state_dir, job),
        }
    }
}

/// How a load ended for the service.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LoadEnd {
    Loaded,
    /// It failed, and the service is as it was.
    PutBack,
    NotPutBack,
}

/// Whether all steps of the way back ended well. They are the last that were done.
fn is_back(plan: &Plan, record: &RunRecord) -> bool {
    let is_way_back = |step: &&Step| step.part == Part::Post;
    let amount = plan.steps.iter().filter(is_way_back).count();
    let mut last = record.steps.iter().rev().take(amount);
    record.steps.len() >= amount && last.all(|step| step.ended_well)
}

/// What is rehearsed is in memory in the clear.
fn may_be_swapped() -> Option<String> {
    let swaps = plain_swaps();
    (!swaps.is_empty()).then(|| {
        format!(
            "what is rehearsed is in memory in the clear, and this server may write memory to {}: encrypt it, or swap to \
             zram",
            swaps.join(", ")
        )
    })
}

fn opening<'a>(
    wanted: &'a ExportWanted,
    gathered: &'a Gathered,
    generation: &'a Generation,
) -> Opening<'a> {
    Opening {
        job: wanted.job,
        generation,
        landing: &gathered.facts.landing,
        opener: wanted.opener.clone(),
        own_program: &gathered.facts.own_program,
    }
}

/// The export that is meant.
fn newest(wanted: &ExportWanted, gathered: &Gathered) -> Result<Generation, Stop> {
    if let DriveState::NotReady(stop) = &gathered.facts.drive {
        return Err(stop.clone());
    }
    let which = wanted.from.map_or(Which::Newest, Which::One);
    let chosen = choose(wanted.job, which, &gathered.facts.generations)?;
    let none = || Stop::new(Outcome::Failed, "there is no export to open");
    chosen.into_iter().next().ok_or_else(none)
}

/// `2,046 entries loaded, exported again, and the same.`
fn words(wanted: &ExportWanted, done: &Opened) -> String {
    let members = done.export.iter().flat_map(|export| &export.members);
    let counts = wording::counts_in_words(members);
    match (&wanted.job.kind, counts.is_empty()) {
        (_, true) => counted(
            done.export.iter().map(|one| one.members.len() as u64).sum(),
            "member",
            "members",
        ),
        (Kind::Directory(_), false) => {
            format!("{counts} loaded, exported again, and the same.")
        }
        (_, false) => format!("{counts} loaded, and the same."),
    }
}

fn conclude(record: &mut RunRecord, went: Result<(), Stop>) {
    match went {
        Err(stop) => wording::tell(record, stop),
        Ok(()) => {
            record.outcome = Some(if record.notes.is_empty() {
                Outcome::Well
            } else {
                Outcome::WellWithNotes
            });
        }
    }
}
