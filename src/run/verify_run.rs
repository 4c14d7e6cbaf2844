//! One verify run: facts, plan, step, record. It holds no lock that a run of the job would wait for.

use jiff::Timestamp;
use tracing::info;

use super::account::Account;
use super::executor::Executor;
use super::job_run::{Runner, known_hosts};
use super::locks;
use super::mending::{Mending, Search};
use super::verifying::{LookedAt, proof_of};
use super::wording;
use crate::jobs::Job;
use crate::plan::{DriveState, Extent, Plan, Stop};
use crate::prove::verify::{Ended, VerifyWish, plan_verify};
use crate::record::{
    Generation, GenerationName, Outcome, Proof, ProofKind, RunRecord, State, StoreError, Task,
    Trigger,
};
use crate::report::{bytes, counted, found_words};
use crate::system::{Asked, Gathered, gather_for_reading};

/// A look at copies that was asked for.
#[derive(Debug, Clone)]
pub struct VerifyWanted<'a> {
    pub job: &'a Job,
    pub which: Which,
    /// So many files of each copy; everything where absent.
    pub sample: Option<u64>,
    pub mending: Mending,
    /// Chooses a sample; the run's own name where absent.
    pub seed: Option<String>,
}

/// More findings than this, of all copies together, are counted and logged, and not kept.
const MOST_FINDINGS_OF_A_RUN: usize = 2000;

/// Which copies of a job.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Which {
    Newest,
    One(GenerationName),
    All,
}

impl Runner<'_> {
    /// Looks at copies of a job. One that finds another look at the same job under way is [`Outcome::Busy`] and leaves no
    /// record.
    ///
    /// # Errors
    /// When the record cannot be written.
    pub fn verify(&self, wanted: &VerifyWanted) -> Result<RunRecord, StoreError> {
        let state_dir = &self.config.server.state_dir;
        let id = self.store.new_run_id(&wanted.job.name, self.clock.now())?;
        let lock = locks::lock_verify(state_dir, &wanted.job.name);
        let mut record = self.blank_verify(wanted.job, id);
        let _lock = match lock {
            Ok(lock) => lock,
            Err(error) => return Ok(self.not_begun(record, &error)),
        };
        self.begin_log(&mut record);
        self.store.begin_run(&record)?;
        let gathered = self.look(wanted.job, record.started);
        record.landing = gathered.facts.landing.address();
        match plan(wanted, &gathered, &record) {
            Ok(plan) => self.look_at(wanted, &plan, &gathered, &mut record),
            Err(stop) => wording::tell(&mut record, stop),
        }
        self.finish(&mut record);
        self.store.put_proofs(&record.proofs)?;
        self.store.finish_run(&record)?;
        Ok(record)
    }

    fn blank_verify(&self, job: &Job, id: String) -> RunRecord {
        let drive = self.config.drive_of(job);
        RunRecord {
            task: Task::Verify,
            ..self.blank(job, Trigger::Hand, id, drive)
        }
    }

    /// The drive and what lies on it. Nothing is written.
    pub(super) fn look(&self, job: &Job, now: Timestamp) -> Gathered {
        let known_hosts = known_hosts(self.config);
        let asked = Asked::of(self.config, job, &known_hosts, now);
        gather_for_reading(asked, |listing| {
            let account = Account::of_look(self.store, asked, listing);
            (account.whole(), Vec::new())
        })
    }

    fn look_at(
        &self,
        wanted: &VerifyWanted,
        plan: &Plan,
        gathered: &Gathered,
        record: &mut RunRecord,
    ) {
        let mut executor = Executor::new(plan, gathered.held.as_ref(), self.signal, self.progress);
        executor.execute(&plan.steps);
        let mut done = executor.done;
        record.steps = std::mem::take(&mut done.steps);
        record.notes.append(&mut done.notes);
        let kind = match wanted.sample {
            Some(_) => ProofKind::Sample,
            None => ProofKind::Verify,
        };
        let copies: Vec<LookedAt> = done.looked.into_iter().flat_map(|one| one.copies).collect();
        self.take_over_looks(copies, kind, record);
        let search = Search {
            mending: wanted.mending,
            rate: None,
            is_busy: &|| false,
        };
        self.deal_with_damage(wanted.job, plan, gathered, search, record);
        if wanted.sample.is_some() && wanted.seed.is_none() {
            record.notes.push(format!(
                "to take the same sample again: `--sample N --seed {}`",
                record.id
            ));
        }
        conclude(record, done.stop);
    }

    /// Turns what was seen into proofs and notes.
    pub(super) fn take_over_looks(
        &self,
        copies: Vec<LookedAt>,
        kind: ProofKind,
        record: &mut RunRecord,
    ) {
        let frame = Proof {
            run: record.id.clone(),
            job: record.job.clone(),
            drive: record.drive.clone(),
            generation: GenerationName::at(record.started),
            at: self.clock.now(),
            kind,
            names: 0,
            files: 0,
            bytes: 0,
            outcome: Outcome::Well,
            cut_short: false,
            found: crate::record::Found::default(),
            findings: Vec::new(),
        };
        if let [one] = copies.as_slice() {
            record.generation = Some(one.generation.name);
            record.form = Some(one.generation.form);
        }
        let most = (MOST_FINDINGS_OF_A_RUN / copies.len().max(1)).max(20);
        for mut copy in copies {
            copy.sum.findings.truncate(most);
            let entry = copy.generation.form.entry(copy.generation.name);
            record.notes.extend(note_of(&copy, &entry));
            record.proofs.extend(proof_of(copy, kind, &frame));
        }
    }
}

/// The plan, or why there can be none.
fn plan(wanted: &VerifyWanted, gathered: &Gathered, record: &RunRecord) -> Result<Plan, Stop> {
    if let DriveState::NotReady(stop) = &gathered.facts.drive {
        return Err(stop.clone());
    }
    let copies = choose(wanted.job, wanted.which, &gathered.facts.generations)?;
    let extent = match wanted.sample {
        None => Extent::Everything,
        Some(files) => Extent::Sample {
            files,
            seed: wanted.seed.clone().unwrap_or_else(|| record.id.clone()),
        },
    };
    Ok(plan_verify(VerifyWish {
        job: wanted.job,
        landing: &gathered.facts.landing,
        copies,
        extent,
        rate: None,
        now: record.started,
    }))
}

fn note_of(copy: &LookedAt, entry: &str) -> Option<String> {
    match copy.ended {
        Ended::Gone => Some(format!(
            "{entry} was retired or updated while it was looked at: nothing is said of it"
        )),
        Ended::NoManifest => Some(format!(
            "{entry} has no manifest, so nothing can be said of it: it was made before there were any"
        )),
        _ if copy.sum.without_digest > 0 => Some(format!(
            "{entry}: of {} the manifest has no digest, since they changed while they were copied: \
             that they can be read is all that is known",
            counted(copy.sum.without_digest, "file", "files")
        )),
        _ => None,
    }
}

/// The outcome and its reason, from what was found.
pub(super) fn conclude(record: &mut RunRecord, stop: Option<Stop>) {
    let open: Vec<&Proof> = record.proofs.iter().filter(|one| one.is_open()).collect();
    let damage = (!open.is_empty()).then(|| damage_of(&open));
    let advice = std::mem::take(&mut record.advice);
    match (stop, damage) {
        // what was found before it was stopped must not be lost
        (Some(stop), Some(damage)) => {
            record.notes.push(stop.reason);
            wording::tell(record, damage);
            record.advice.extend(advice);
        }
        (Some(stop), None) => wording::tell(record, stop),
        (None, Some(damage)) => {
            wording::tell(record, damage);
            record.advice.extend(advice);
        }
        (None, None) if record.proofs.is_empty() => {
            let reason = "no copy could be held against a manifest".to_owned();
            let advice = "the next run of the job makes a copy that can be";
            wording::tell(record, Stop::new(Outcome::Failed, reason).advise(advice));
        }
        (None, None) => {
            record.outcome = Some(if record.notes.is_empty() {
                Outcome::Well
            } else {
                Outcome::WellWithNotes
            });
            record.reason = well_words(record);
        }
    }
}

fn well_words(record: &RunRecord) -> String {
    let files: u64 = record.proofs.iter().map(|one| one.files).sum();
    let read: u64 = record.proofs.iter().map(|one| one.bytes).sum();
    let mended: u64 = record.proofs.iter().map(Proof::mended).sum();
    let mended = match mended {
        0 => String::new(),
        many => format!(
            " {} put right before.",
            counted(many, "file was", "files were")
        ),
    };
    format!(
        "{} re-read, {}: everything is as the manifest says.{mended}",
        counted(files, "file", "files"),
        bytes(read),
    )
}

fn damage_of(open: &[&Proof]) -> Stop {
    let mut found = crate::record::Found::default();
    for proof in open {
        found.add_all(proof.found);
    }
    let copies = match open {
        [one] => one.generation.to_string(),
        many => format!("{} copies", many.len()),
    };
    let reason = format!("in {copies}: {}", found_words(found));
    Stop::new(Outcome::Damaged, reason)
}

/// The copies that are meant, oldest first.
pub(super) fn choose(
    job: &Job,
    which: Which,
    known: &[Generation],
) -> Result<Vec<Generation>, Stop> {
    let whole: Vec<&Generation> = known
        .iter()
        .filter(|one| one.state == State::Whole)
        .collect();
    let chosen: Vec<Generation> = match which {
        Which::Newest => whole.first().copied().cloned().into_iter().collect(),
        Which::One(name) => whole
            .into_iter()
            .filter(|one| one.name == name)
            .cloned()
            .collect(),
        Which::All => whole.into_iter().rev().cloned().collect(),
    };
    if !chosen.is_empty() {
        info!(
            "{} to look at",
            counted(chosen.len() as u64, "copy", "copies")
        );
        return Ok(chosen);
    }
    let updating = known.iter().any(|one| one.state == State::Updating);
    let reason = match which {
        Which::One(name) => format!("job `{}` has no generation {name}", job.name),
        _ if updating => format!("the mirror of job `{}` is being updated", job.name),
        _ => format!(
            "job `{}` has no copy yet: nothing can be verified",
            job.name
        ),
    };
    Err(Stop::new(Outcome::Failed, reason)
        .advise(format!("`hayloft generations {}` lists them", job.name)))
}
