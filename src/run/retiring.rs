//! After a good run: what retention and the cap no longer want is retired, by steps like any other.

use std::collections::BTreeSet;

use jiff::Timestamp;

use super::drive_hands::mounted_inside;
use super::executor::Executor;
use super::job_space::Books;
use crate::jobs::{Config, Job, Name};
use crate::keep::{Consent, HeldBack, SpaceMap, decide, enforce_with_consent};
use crate::plan::{Landing, retire_steps};
use crate::record::{Decision, Form, Generation, GenerationName, State, Store};
use crate::system::subvolumes::subvolumes;

/// What retention is decided for.
#[derive(Debug, Clone, Copy)]
pub struct Retiring<'a> {
    pub job: &'a Job,
    pub config: &'a Config,
    pub now: Timestamp,
    pub consent: Consent,
}

/// What was decided, and what of the cap was held back.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Decided {
    pub decisions: Vec<Decision>,
    pub held_back: Option<HeldBack>,
}

impl Retiring<'_> {
    /// Decides, and executes the removal, however the run itself ended. Gives each decision, and the bytes that the
    /// kept ones take where that is known: only a cap asks for it.
    pub fn retire(self, executor: &mut Executor, store: &Store) -> (Vec<Decision>, Option<u64>) {
        let generations = whole(executor);
        if generations.is_empty() {
            return (Vec::new(), None);
        }
        let landing = &executor.plan.landing;
        let books = Books {
            store,
            server: &self.config.server.name,
            job: &self.job.name,
            landing,
        };
        let space = self.job.cap.and_then(|_| {
            let known = books.booked_or_measured(&names(&generations));
            let note = |words| format!("the cap could not be looked after: {words}");
            let notes = &mut executor.done.notes;
            known.map_err(|words| notes.push(note(words))).ok()
        });
        let Decided {
            mut decisions,
            held_back,
        } = self.decisions(&generations, space.as_ref());
        let notes = &mut executor.done.notes;
        self.tell_held_back(store, held_back, notes);
        hold_back_mounted(landing, &generations, &mut decisions, notes);
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
        let left = names(&whole(executor));
        if let Err(error) = books.keep_only(&left) {
            executor.done.notes.push(error.to_string());
        }
        let kept = decisions.iter().filter(|one| one.kept);
        let kept = kept.map(|one| one.generation).collect();
        (decisions, space.map(|space| space.use_of(&kept).bytes()))
    }

    /// The rules, then the cap.
    pub fn decisions(self, generations: &[Generation], space: Option<&SpaceMap>) -> Decided {
        let names: Vec<_> = generations.iter().map(|one| one.name).collect();
        let zone = &self.config.server.time_zone;
        let by_rules = decide(&self.job.keep, &names, self.now, zone);
        let (decisions, held_back) = match (self.job.cap, space) {
            (Some(cap), Some(space)) => {
                enforce_with_consent(&by_rules, space, cap, self.now, self.consent)
            }
            _ => (by_rules, None),
        };
        Decided {
            decisions,
            held_back,
        }
    }

    /// A person must know, whatever is mailed: it stays an alarm until the cap holds, or nothing is held back.
    fn tell_held_back(self, store: &Store, held: Option<HeldBack>, notes: &mut Vec<String>) {
        let key = held_back_alarm(&self.job.name);
        let kept = match held {
            Some(held) => {
                let words = held_back_words(&self.job.name, held);
                let raised = store.raise_alarm(&key, &words, self.now);
                notes.push(words);
                raised.map(|_| ())
            }
            None => store.clear_alarm(&key).map(|_| ()),
        };
        if let Err(error) = kept {
            notes.push(error.to_string());
        }
    }
}

/// The key of the alarm that the cap would retire too much of a job at once.
pub fn held_back_alarm(job: &Name) -> String {
    format!("retiring/{job}")
}

/// What was held back, and what a person can do about it.
pub fn held_back_words(job: &Name, held: HeldBack) -> String {
    format!(
        "`{job}`: {}; `hayloft generations {job}` shows which; raise `cap`, or if they may go: `hayloft run {job} --accept-retiring`, once",
        held.words()
    )
}

fn whole(executor: &Executor) -> Vec<Generation> {
    let known = executor.keeper.as_ref().map(|keeper| &keeper.known);
    let known = known.into_iter().flatten();
    known
        .filter(|one| one.state == State::Whole && one.form != Form::Current)
        .cloned()
        .collect()
}

fn names(generations: &[Generation]) -> BTreeSet<GenerationName> {
    generations.iter().map(|one| one.name).collect()
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
