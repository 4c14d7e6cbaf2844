//! After a good run: what retention and the cap no longer want is retired, by steps like any other.

use std::collections::BTreeSet;

use jiff::Timestamp;

use super::drive_hands::mounted_inside;
use super::executor::Executor;
use crate::jobs::{Config, Job};
use crate::keep::{SpaceMap, decide, enforce_cap};
use crate::plan::{Landing, retire_steps};
use crate::record::{Decision, Form, Generation, State};
use crate::system::remote_drive::ask_remote;
use crate::system::subvolumes::subvolumes;
use crate::system::tree_use::{TreeUse, from_find_output, measure};
use crate::tools::find;

/// What retention is decided for.
#[derive(Debug, Clone, Copy)]
pub struct Retiring<'a> {
    pub job: &'a Job,
    pub config: &'a Config,
    pub now: Timestamp,
}

impl Retiring<'_> {
    /// Decides, and executes the removal, however the run itself ended. Gives each decision, and the bytes that the kept ones take where
    /// that was measured: only a cap asks for it, since it means looking at every file.
    pub fn retire(self, executor: &mut Executor) -> (Vec<Decision>, Option<u64>) {
        let known = executor
            .keeper
            .as_ref()
            .map_or(Vec::new(), |keeper| keeper.known.clone());
        let generations: Vec<Generation> = known
            .into_iter()
            .filter(|one| one.state == State::Whole && one.form != Form::Current)
            .collect();
        if generations.is_empty() {
            return (Vec::new(), None);
        }
        let landing = &executor.plan.landing;
        let space = self.job.cap.and_then(|_| match use_of(landing) {
            Ok(tree_use) => Some(tree_use.space),
            Err(words) => {
                executor
                    .done
                    .notes
                    .push(format!("the cap could not be looked after: {words}"));
                None
            }
        });
        let mut decisions = self.decisions(&generations, space.as_ref());
        let notes = &mut executor.done.notes;
        hold_back_mounted(landing, &generations, &mut decisions, notes);
        let kept: BTreeSet<_> = decisions
            .iter()
            .filter(|one| one.kept)
            .map(|one| one.generation)
            .collect();
        // those that cannot be told are removed like folders
        let subvolumes = executor
            .held
            .and_then(|held| subvolumes(held.root(), &landing.folder).ok())
            .unwrap_or_default();
        let steps = retire_steps(landing, &generations, &decisions, &subvolumes);
        // a run that found the drive full still gives room to the next one
        let stop = executor.done.stop.take();
        executor.execute(&steps);
        if let Some(stop) = stop {
            let later = executor.done.stop.replace(stop);
            executor.done.notes.extend(later.map(|later| later.reason));
        }
        (decisions, space.map(|space| space.use_of(&kept).bytes()))
    }

    /// The rules, then the cap.
    pub fn decisions(self, generations: &[Generation], space: Option<&SpaceMap>) -> Vec<Decision> {
        let names: Vec<_> = generations.iter().map(|one| one.name).collect();
        let decisions = decide(
            &self.job.keep,
            &names,
            self.now,
            &self.config.server.time_zone,
        );
        match (self.job.cap, space) {
            (Some(cap), Some(space)) => enforce_cap(decisions, space, cap, self.now),
            _ => decisions,
        }
    }
}

/// A generation that has something mounted inside is kept, whole and listed, until that is unmounted.
fn hold_back_mounted(
    landing: &Landing,
    generations: &[Generation],
    decisions: &mut [Decision],
    notes: &mut Vec<String>,
) {
    if landing.ssh().is_some() {
        return;
    }
    for decision in decisions.iter_mut().filter(|one| !one.kept) {
        let Some(generation) = generations
            .iter()
            .find(|one| one.name == decision.generation)
        else {
            continue;
        };
        let entry = generation.form.entry(generation.name);
        let words = match mounted_inside(&landing.path().join(&entry)) {
            Ok(None) => continue,
            Ok(Some(words)) => words,
            Err(error) => error.to_string(),
        };
        decision.kept = true;
        decision.why = format!("cannot be removed: {words}");
        notes.push(format!("{entry} cannot be removed: {words}"));
    }
}

/// What the job's folder takes, shared files counted once.
///
/// # Errors
/// Why it could not be measured, in words.
pub fn use_of(landing: &Landing) -> Result<TreeUse, String> {
    match landing.ssh() {
        None => measure(&landing.path()).map_err(|error| error.to_string()),
        Some(line) => {
            let answer = ask_remote(line, &find::inodes_under(&landing.path()))
                .map_err(|stop| stop.reason)?;
            Ok(from_find_output(&answer.stdout))
        }
    }
}
