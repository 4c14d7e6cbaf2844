//! One part of a drive, re-read: goes on from the place that the record tells, and keeps the place as it goes.

use jiff::Timestamp;

use super::executor::Executor;
use super::job_run::{Runner, trigger_for};
use super::mending::{Mending, Search};
use super::place_keeper::PlaceKeeper;
use super::verify_run::conclude;
use super::verifying::{LookedAt, Manner};
use super::wording;
use super::{locks, settle};
use crate::jobs::{Drive, Job, Name, Reread};
use crate::plan::{DriveState, Extent, Stop};
use crate::prove::verify::{
    Ended, JobCopies, Sum, VerifyWish, due, in_round, is_done_with, left_bytes, next_budget,
    plan_verify,
};
use crate::record::{
    Generation, GenerationName, Mark, Outcome, Place, ProofKind, Round, RunRecord, State, Store,
    StoreError, Task,
};
use crate::report::date;

/// What is left of the bytes for this time; `None` is no end.
type Budget = Option<u64>;

impl Runner<'_> {
    /// Re-reads the next part of a drive. Each job whose copies are in it gets a record.
    ///
    /// # Errors
    /// When the record cannot be read or written.
    pub fn slice(
        &self,
        drive: &Drive,
        reread: &Reread,
        planned: Option<Timestamp>,
    ) -> Result<Vec<RunRecord>, StoreError> {
        let state_dir = &self.config.server.state_dir;
        let jobs: Vec<&Job> = jobs_on(self, &drive.name);
        let Some(first) = jobs.first().copied() else {
            return Ok(Vec::new());
        };
        let mut records = Vec::new();
        for job in &jobs {
            records.extend(settle::one(self, &job.name)?);
        }
        let _lock = match locks::lock_slice(state_dir, &drive.name) {
            Ok(lock) => lock,
            Err(error) => {
                let record = self.blank_slice(first, planned)?;
                records.push(self.not_begun(record, &error));
                return Ok(records);
            }
        };
        let now = self.clock.now();
        let mut round = self.round_of(drive, now)?;
        let known = known_copies(self, drive, &jobs);
        let left = left_bytes(&known, &round);
        let zone = &self.config.server.time_zone;
        let mut budget = next_budget(reread, zone, &round, left, now);
        let mut is_through = true;
        for job in jobs {
            let slice = Slice {
                runner: self,
                drive,
                reread,
                job,
                planned,
            };
            match slice.go(&mut round, &mut budget)? {
                Went::Nothing => {}
                Went::Through(record) => records.push(*record),
                Went::NotThrough(record) => {
                    records.push(*record);
                    is_through = false;
                    break;
                }
            }
        }
        if let Some(place) = &round.place {
            round.marks.push(Mark {
                at: now,
                job: place.job.clone(),
                generation: place.generation,
            });
        }
        round.finished = is_through.then(|| self.clock.now());
        self.store.put_round(&drive.name, &round)?;
        Ok(records)
    }

    /// The round that goes on, or a new one.
    fn round_of(&self, drive: &Drive, now: Timestamp) -> Result<Round, StoreError> {
        let rounds = self.store.rounds(&drive.name)?;
        let open = rounds
            .into_iter()
            .next()
            .filter(|one| one.finished.is_none());
        Ok(open.unwrap_or_else(|| Round::begun(now)))
    }

    fn blank_slice(&self, job: &Job, planned: Option<Timestamp>) -> Result<RunRecord, StoreError> {
        let now = self.clock.now();
        let id = self.store.new_run_id(&job.name, now)?;
        let trigger = trigger_for(planned, now);
        Ok(RunRecord {
            task: Task::Slice,
            ..self.blank(job, trigger, id, self.config.drive_of(job))
        })
    }
}

fn jobs_on<'c>(runner: &Runner<'c>, drive: &Name) -> Vec<&'c Job> {
    let jobs = runner.config.jobs.values();
    jobs.filter(|job| job.drive == *drive).collect()
}

/// What the record knows of the copies of each job.
fn known_copies(runner: &Runner, drive: &Drive, jobs: &[&Job]) -> Vec<JobCopies> {
    let jobs = jobs.iter().map(|job| job.name.clone());
    copies_of(runner.store, &drive.name, &runner.config.server.name, jobs)
}

/// What the record knows of the copies of these jobs on a drive.
pub fn copies_of(
    store: &Store,
    drive: &Name,
    server: &Name,
    jobs: impl Iterator<Item = Name>,
) -> Vec<JobCopies> {
    jobs.map(|job| {
        let known = store.generations_and_retired(drive, server, &job);
        let mut known = known.unwrap_or_else(|error| {
            tracing::warn!("{error}");
            Vec::new()
        });
        known.reverse();
        JobCopies { job, known }
    })
    .collect()
}

enum Went {
    /// All copies of the job were done before.
    Nothing,
    /// To the end of its copies.
    Through(Box<RunRecord>),
    NotThrough(Box<RunRecord>),
}

/// The part of one job in a part of a drive.
struct Slice<'a> {
    runner: &'a Runner<'a>,
    drive: &'a Drive,
    reread: &'a Reread,
    job: &'a Job,
    planned: Option<Timestamp>,
}

impl Slice<'_> {
    fn go(&self, round: &mut Round, budget: &mut Budget) -> Result<Went, StoreError> {
        let runner = self.runner;
        let is_done =
            |copy: GenerationName| is_done_with(round.place.as_ref(), &self.job.name, copy);
        let gathered = runner.look(self.job, runner.clock.now());
        let mut known = gathered.facts.generations.clone();
        known.reverse();
        let copies = JobCopies {
            job: self.job.name.clone(),
            known,
        };
        let is_updating = copies
            .known
            .iter()
            .any(|copy| copy.state == State::Updating && !is_done(copy.place_name()));
        let copies = in_round(&copies, round);
        let stop = match &gathered.facts.drive {
            DriveState::NotReady(stop) => Some(stop.clone()),
            DriveState::Ready(_) => None,
        };
        let is_done = copies.iter().all(|copy| is_done(copy.place_name()));
        if stop.is_none() && is_done && !is_updating {
            return Ok(Went::Nothing);
        }
        let mut record = runner.blank_slice(self.job, self.planned)?;
        runner.begin_log(&mut record);
        runner.store.begin_run(&record)?;
        record.landing = gathered.facts.landing.address();
        self.tell_if_late(round, &mut record);
        let is_through = if let Some(stop) = stop {
            wording::tell(&mut record, stop);
            false
        } else {
            let plan = plan_verify(VerifyWish {
                job: self.job,
                landing: &gathered.facts.landing,
                copies,
                extent: Extent::Slice {
                    from: round.place.clone(),
                    budget: *budget,
                },
                rate: self.reread.rate,
                now: record.started,
            });
            let is_through = self.read(&plan, &gathered, round, budget, &mut record)?;
            if is_updating {
                let words = "the mirror is being updated, or its update was cut short: the next part re-reads it";
                record.notes.push(words.to_owned());
            }
            is_through && !is_updating
        };
        runner.finish(&mut record);
        runner.store.put_proofs(&record.proofs)?;
        runner.store.put_round(&self.drive.name, round)?;
        runner.store.finish_run(&record)?;
        let record = Box::new(record);
        Ok(if is_through {
            Went::Through(record)
        } else {
            Went::NotThrough(record)
        })
    }

    fn tell_if_late(&self, round: &Round, record: &mut RunRecord) {
        let due = due(self.reread, round);
        if record.started > due {
            let zone = &self.runner.config.server.time_zone;
            record.notes.push(format!(
                "re-reading drive `{}` is late: it was to be through on {}",
                self.drive.name,
                date(due, zone)
            ));
        }
    }

    /// Gives whether the end of the job's copies was reached.
    fn read(
        &self,
        plan: &crate::plan::Plan,
        gathered: &crate::system::Gathered,
        round: &mut Round,
        budget: &mut Budget,
        record: &mut RunRecord,
    ) -> Result<bool, StoreError> {
        let state_dir = &self.runner.config.server.state_dir;
        let (store, _) = Store::open_at(state_dir, record.started)?;
        let keeper = PlaceKeeper::new(store, &self.drive.name, round.clone());
        let tell = |place: &Place, sum: &Sum| keeper.heed(place, sum);
        let is_busy = || locks::is_in_use(state_dir, self.drive);
        let mut executor = Executor::new(
            plan,
            gathered.held.as_ref(),
            self.runner.signal,
            self.runner.progress,
        );
        executor.manner = Manner {
            tell: &tell,
            is_busy: &is_busy,
        };
        executor.execute(&plan.steps);
        let mut done = executor.done;
        record.steps = std::mem::take(&mut done.steps);
        record.notes.append(&mut done.notes);
        let mut is_through = done.stop.is_none();
        let mut copies: Vec<LookedAt> = Vec::new();
        for looked in done.looked {
            is_through &= looked.is_through;
            for copy in &looked.copies {
                account(round, budget, copy);
            }
            round.place = looked.place.or(round.place.take());
            if round
                .place
                .as_ref()
                .is_some_and(|place| place.path.is_none())
            {
                round.in_copy = 0;
            }
            copies.extend(looked.copies);
        }
        copies.retain(|copy| copy.sum.names > 0 || copy.sum.found.all() > 0);
        let is_empty = copies.is_empty();
        self.runner
            .take_over_looks(copies, ProofKind::Slice, record);
        match done.stop {
            None if is_empty => {
                record.outcome = Some(Outcome::Well);
                "nothing was left to re-read".clone_into(&mut record.reason);
            }
            stop => {
                let search = Search {
                    mending: Mending::Offer,
                    rate: self.reread.rate,
                    is_busy: &is_busy,
                };
                self.runner
                    .deal_with_damage(self.job, plan, gathered, search, record);
                conclude(record, stop.map(after_stop));
            }
        }
        Ok(is_through)
    }
}

fn after_stop(stop: Stop) -> Stop {
    if stop.outcome == Outcome::Stopped {
        stop.advise("the next part begins where this one ended")
    } else {
        stop
    }
}

/// Adds what was read of one copy.
fn account(round: &mut Round, budget: &mut Budget, copy: &LookedAt) {
    let LookedAt {
        generation,
        sum,
        ended,
    } = copy;
    if matches!(ended, Ended::Gone | Ended::NoManifest) {
        return;
    }
    if !is_in(round.place.as_ref(), generation) {
        round.in_copy = 0;
    }
    round.files += sum.files;
    round.bytes += sum.bytes;
    round.in_copy += sum.bytes;
    round.place = Some(Place {
        job: generation.job.clone(),
        generation: generation.place_name(),
        path: None,
    });
    if let Some(budget) = budget {
        *budget = budget.saturating_sub(sum.bytes);
    }
}

fn is_in(place: Option<&Place>, copy: &Generation) -> bool {
    place.is_some_and(|place| place.job == copy.job && place.generation == copy.place_name())
}
