//! Offers good copies of what is damaged and, where that was asked for, puts them in its place.

use std::collections::HashSet;
use std::os::fd::{AsFd, OwnedFd};
use std::path::PathBuf;

use super::drive_hands::DriveHands;
use super::executor::Executor;
use super::job_run::{Runner, known_hosts};
use super::locks;
use crate::jobs::{Drive, DrivePlace, Job, Size};
use crate::plan::{Landing, Mend, Plan, Step, Stop};
use crate::prove::verify::{
    Mender, Pace, SearchPlace, Spoilt, find_good_copies, mend_steps, spoilt_files,
};
use crate::record::{Form, Generation, Outcome, Proof, RunRecord, State, What};
use crate::system::Gathered;
use crate::system::job_folder::open_below;
use crate::system::local_drive::{self, HeldDrive, Purpose};

/// What is done about damage.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mending {
    /// Good copies are named, and nothing is written.
    Offer,
    /// They are put in place of what is damaged.
    Do,
}

/// How good copies are searched for, and what for.
#[derive(Clone, Copy)]
pub struct Search<'a> {
    pub mending: Mending,
    /// Bytes a second at most.
    pub rate: Option<Size>,
    /// Whether the drive is used by a run that must not be slowed down.
    pub is_busy: &'a (dyn Fn() -> bool + Sync),
}

impl Executor<'_> {
    pub(super) fn mend(&mut self, mend: &Mend) -> Result<String, Stop> {
        self.still_there()?;
        let folder = self.hands()?.folder();
        let folder = folder.map_err(|error| self.drive_error(&error))?;
        let stop = || self.signal.is_set();
        let pace = Pace::new(None, &stop, &|| false, &|_| {});
        let mender = Mender {
            job_folder: folder.as_fd(),
            pace: &pace,
        };
        mender
            .mend(mend)
            .map_err(|error| Stop::new(Outcome::Failed, error.to_string()))?;
        Ok("replaced".to_owned())
    }
}

/// The copies of a job that was looked at, with what is needed to search and to mend them.
struct Bench<'a> {
    runner: &'a Runner<'a>,
    job: &'a Job,
    plan: &'a Plan,
    gathered: &'a Gathered,
    folder: OwnedFd,
    search: Search<'a>,
}

impl Runner<'_> {
    /// Names a good copy of each file that is not as it should be and, if asked for, puts it in place.
    pub(super) fn deal_with_damage(
        &self,
        job: &Job,
        plan: &Plan,
        gathered: &Gathered,
        search: Search,
        record: &mut RunRecord,
    ) {
        if !record.proofs.iter().any(Proof::is_open) {
            return;
        }
        if search.mending == Mending::Offer {
            return self.search_and_offer(job, plan, gathered, search, record);
        }
        let drive = self.config.drive_of(job);
        match locks::lock_drive(&self.config.server.state_dir, drive, &job.name) {
            Ok(_lock) => {
                // a run since then may have given other names to what is damaged, or updated a mirror
                let gathered = self.look(job, self.clock.now());
                self.search_and_offer(job, plan, &gathered, search, record);
            }
            Err(error) => {
                record
                    .notes
                    .push(nothing_replaced(drive, &error.to_string()));
                let mending = Mending::Offer;
                let search = Search { mending, ..search };
                self.search_and_offer(job, plan, gathered, search, record);
            }
        }
    }

    fn search_and_offer(
        &self,
        job: &Job,
        plan: &Plan,
        gathered: &Gathered,
        search: Search,
        record: &mut RunRecord,
    ) {
        let Some(held) = &gathered.held else {
            let words = "on another host good copies are neither searched for nor put in place";
            record.notes.push(words.to_owned());
            return;
        };
        let hands = DriveHands {
            held,
            landing: &gathered.facts.landing,
        };
        let Ok(folder) = hands.folder() else { return };
        let bench = Bench {
            runner: self,
            job,
            plan,
            gathered,
            folder,
            search,
        };
        let places = bench.places(&mut record.notes);
        let mut steps = Vec::new();
        for (number, proof) in record.proofs.iter_mut().enumerate() {
            let more = bench.offer(proof, &places);
            steps.extend(more.into_iter().map(|(index, step)| (number, index, step)));
        }
        match search.mending {
            Mending::Offer => advise(job, record),
            Mending::Do => bench.mend_all(&steps, record),
        }
    }
}

fn advise(job: &Job, record: &mut RunRecord) {
    let findings = || record.proofs.iter().flat_map(|proof| &proof.findings);
    let is_rot = findings().any(|one| matches!(one.what, What::Damaged | What::Unreadable));
    let has_good = findings().any(|one| one.good.is_some());
    let mut advice = Vec::new();
    if has_good {
        let which = match record.proofs.as_slice() {
            [one] => one.generation.to_string(),
            _ => "--all".to_owned(),
        };
        advice.push(format!(
            "`hayloft verify {} {which} --mend` puts good copies in place of what is damaged",
            job.name
        ));
    }
    if is_rot {
        advice.push(
            "the disk, its cable or the memory may be failing: look at `dmesg` and `smartctl -a`"
                .to_owned(),
        );
    }
    record.advice = advice;
}

impl Bench<'_> {
    fn generations(&self) -> &[Generation] {
        &self.gathered.facts.generations
    }

    /// Where good content may lie: the other copies of this job first, newest first; then those of other jobs.
    fn places(&self, notes: &mut Vec<String>) -> Vec<SearchPlace> {
        let config = self.runner.config;
        let mut places = places_of(
            self.job,
            &self.folder,
            &self.gathered.facts.landing,
            self.generations(),
        );
        let mut others: Vec<&Job> = config
            .jobs
            .values()
            .filter(|job| job.name != self.job.name)
            .collect();
        others.sort_by_key(|job| job.drive != self.job.drive);
        for job in others {
            match self.places_of_other(job) {
                Ok(more) => places.extend(more),
                Err(words) => notes.push(words),
            }
        }
        places
    }

    fn places_of_other(&self, job: &Job) -> Result<Vec<SearchPlace>, String> {
        let config = self.runner.config;
        let drive = config.drive_of(job);
        let unsearched = |why: &str| {
            format!(
                "the copies of `{}` on drive `{}` were not searched for good ones: {why}",
                job.name, drive.name
            )
        };
        let known_hosts = known_hosts(config);
        let landing = Landing::new(drive, &config.server.name, &job.name, &known_hosts);
        let Some(held) = hold(drive, Purpose::Reading).map_err(|stop| unsearched(&stop.reason))?
        else {
            return Err(unsearched("they are on another host"));
        };
        let Ok(folder) = open_below(held.root(), &landing.folder) else {
            return Ok(Vec::new());
        };
        let known = self
            .runner
            .store
            .generations(&drive.name, &config.server.name, &job.name)
            .map_err(|error| unsearched(&error.to_string()))?;
        Ok(places_of(job, &folder, &landing, &known))
    }

    /// Fills in where good copies lie; gives the steps that would put them in place.
    fn offer(&self, proof: &mut Proof, places: &[SearchPlace]) -> Vec<(usize, Step)> {
        let copy = self
            .generations()
            .iter()
            .find(|one| one.name == proof.generation);
        let Some(copy) = copy.filter(|_| proof.is_open()) else {
            return Vec::new();
        };
        let spoilt: Vec<Spoilt> = match spoilt_files(&self.folder, copy, &proof.findings) {
            Ok(spoilt) => spoilt,
            Err(error) => {
                tracing::warn!("{}: {error}", copy.name);
                return Vec::new();
            }
        };
        let stop = || self.runner.signal.is_set();
        let pace = Pace::new(self.search.rate, &stop, self.search.is_busy, &|_| {});
        let good = find_good_copies(&spoilt, places, &pace);
        for (index, good) in &good {
            proof.findings[*index].good = Some(good.clone());
        }
        // an archive is replaced as a whole by its next one
        if !matches!(copy.form, Form::Tree | Form::Current) {
            return Vec::new();
        }
        mend_steps(&self.folder, copy, self.generations(), &spoilt, &good)
    }

    /// Says what will be replaced, then replaces it. The drive is locked.
    fn mend_all(&self, steps: &[(usize, usize, Step)], record: &mut RunRecord) {
        if steps.is_empty() {
            record
                .notes
                .push("no good copy was found of anything: nothing was replaced".to_owned());
            return;
        }
        let drive = self.runner.config.drive_of(self.job);
        let held = match hold(drive, Purpose::Writing) {
            Ok(Some(held)) => held,
            Ok(None) => return,
            Err(stop) => return record.notes.push(nothing_replaced(drive, &stop.reason)),
        };
        let steps = without_repeats(steps);
        self.runner.progress.announce("to be replaced:");
        for (_, _, step) in &steps {
            self.runner.progress.announce(&format!("  {}", step.words));
        }
        let mut mended = Vec::new();
        for (number, index, step) in &steps {
            if self.runner.signal.is_set() {
                break;
            }
            let mut executor = Executor::new(
                self.plan,
                Some(&held),
                self.runner.signal,
                self.runner.progress,
            );
            executor.execute([step]);
            record.steps.append(&mut executor.done.steps);
            match executor.done.stop {
                None => {
                    record.proofs[*number].findings[*index].mended = true;
                    mended.extend(inode_names(step));
                }
                Some(stop) => record
                    .notes
                    .push(format!("{}: {}", step.words, stop.reason)),
            }
        }
        mark_other_names(&mended, record);
    }
}

fn places_of(
    job: &Job,
    folder: &OwnedFd,
    landing: &Landing,
    generations: &[Generation],
) -> Vec<SearchPlace> {
    let whole = generations.iter().filter(|one| one.state == State::Whole);
    let place = |generation: &Generation| {
        Some(SearchPlace {
            job: job.name.clone(),
            drive: job.drive.clone(),
            folder: folder.try_clone().ok()?,
            path: landing.path(),
            generation: generation.clone(),
        })
    };
    whole.filter_map(place).collect()
}

/// A file that several copies share is found in each of them, and replaced once.
fn without_repeats(steps: &[(usize, usize, Step)]) -> Vec<&(usize, usize, Step)> {
    let mut covered = HashSet::new();
    let is_new = |(_, _, step): &&(usize, usize, Step)| {
        let names = inode_names(step);
        let is_new = names.first().is_some_and(|own| !covered.contains(own));
        covered.extend(names);
        is_new
    };
    steps.iter().filter(is_new).collect()
}

/// The names that were replaced with one file are right in every copy.
fn mark_other_names(mended: &[(String, PathBuf)], record: &mut RunRecord) {
    for proof in &mut record.proofs {
        let root = proof.generation.to_string();
        for finding in proof.findings.iter_mut().filter(|one| one.good.is_some()) {
            let key = |(other, path): &(String, PathBuf)| *other == root && *path == finding.path;
            finding.mended |= mended.iter().any(key);
        }
    }
}

fn inode_names(step: &Step) -> Vec<(String, PathBuf)> {
    match &step.act {
        crate::plan::Act::Mend(mend) => mend
            .names
            .iter()
            .map(|name| (name.root.clone(), name.path.clone()))
            .collect(),
        _ => Vec::new(),
    }
}

fn nothing_replaced(drive: &Drive, why: &str) -> String {
    format!("nothing was replaced on drive `{}`: {why}", drive.name)
}

/// `None` for a drive on another host.
fn hold(drive: &Drive, purpose: Purpose) -> Result<Option<HeldDrive>, Stop> {
    match &drive.place {
        DrivePlace::Ssh { .. } => Ok(None),
        DrivePlace::Local { path, uuid } => {
            local_drive::hold(&drive.name, path, uuid, purpose).map(Some)
        }
    }
}
