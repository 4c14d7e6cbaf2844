//! `--dry-run`: the plan of a run or a restore, with what its reading part finds. Nothing is written
//! anywhere: no lock, no log, no record.

use std::path::Path;

use super::settings::{Form, Settings, trouble};
use crate::exit::Exit;
use crate::jobs::{Config, Job};
use crate::keep::{Consent, SpaceMap};
use crate::plan::{Act, Allowance, DriveState, Part, Plan, Stop, check_changes, make_plan};
use crate::record::{Changes, Form as CopyForm, Generation, GenerationName, Outcome, State};
use crate::report::{DryRunFacts, FirstName, PlannedStep, dry_run_text, to_json_line};
use crate::run::account::Account;
use crate::run::{
    Executed, Executor, Progress, Retiring, StopSignal, held_back_words, known_hosts, use_of,
};
use crate::system::clock::Clock;
use crate::system::{Asked, Gathered, gather};

/// How many coming times are shown.
const TIMES: usize = 3;

pub fn dry_run(
    settings: &Settings,
    config: &Config,
    job: &Job,
    allowance: Allowance,
    consent: Consent,
) -> Exit {
    let known_hosts = known_hosts(config);
    let drive = config.drive_of(job);
    let now = settings.clock.now();
    let asked = Asked::of(config, job, &known_hosts, now);
    let mut account = Account::default();
    let gathered = gather(asked, |listing| {
        account = Account::of_drive(asked, listing);
        (account.whole(), account.leftovers.clone())
    });
    let plan = make_plan(job, drive, &gathered.facts, allowance);
    let measured = measure(&plan, &gathered);
    let mut facts = describe(&plan, &measured);
    facts.stops.extend(would_stop(&plan, &measured, &gathered));
    facts.notes.extend(account.notes.iter().cloned());
    facts.about.clone_from(&job.about);
    facts.drive = format!("{} ({})", drive.name, drive.address());
    if let Some(line) = &job.schedule {
        facts.schedule = Some(line.in_words());
        facts.next = line.upcoming(&config.server.time_zone, now, TIMES);
    }
    let retiring = Retiring {
        job,
        config,
        now,
        consent,
    };
    would_retire(
        retiring,
        &plan,
        &gathered.facts.generations,
        measured.changes,
        &mut facts,
    );
    show(settings, config, &facts)
}

/// Shows a restore's plan.
pub fn show_restore(
    settings: &Settings,
    config: &Config,
    plan: &Plan,
    gathered: &Gathered,
    to: &Path,
) -> Exit {
    let measured = measure(plan, gathered);
    let mut facts = describe(plan, &measured);
    facts.about = format!("bring back from {}", plan.generation);
    facts.target = Some(to.to_owned());
    facts.stops.extend(measured.stop);
    show(settings, config, &facts)
}

/// Shows what a load would do.
pub fn show_load(settings: &Settings, config: &Config, plan: &Plan, service: &str) -> Exit {
    let mut facts = describe(plan, &Executed::default());
    facts.about = format!("load {} into {service}", plan.generation);
    facts.service = Some(service.to_owned());
    show(settings, config, &facts)
}

fn show(settings: &Settings, config: &Config, facts: &DryRunFacts) -> Exit {
    match settings.form {
        Form::Json => print!("{}", to_json_line(facts)),
        Form::Text => print!("{}", dry_run_text(facts, &config.server.time_zone)),
    }
    facts
        .stops
        .first()
        .map_or(Exit::Well, |stop| Exit::of(stop.outcome))
}

/// Does the steps that only read.
fn measure(plan: &Plan, gathered: &Gathered) -> Executed {
    let signal = match StopSignal::listen() {
        Ok(signal) => signal,
        Err(error) => {
            trouble(&error);
            return Executed::default();
        }
    };
    if !plan.stops.is_empty() {
        return Executed::default();
    }
    let progress = Progress::Silent;
    let mut executor = Executor::new(plan, gathered.held.as_ref(), &signal, &progress);
    let reading = |part| part == Part::Measure;
    executor.execute(
        plan.steps
            .iter()
            .filter(|step| reading(step.part) || matches!(step.act, Act::RefuseExisting { .. })),
    );
    executor.done
}

fn describe(plan: &Plan, measured: &Executed) -> DryRunFacts {
    let name = |item: &crate::tools::rsync_output::Item| FirstName {
        what: item.what.words().to_owned(),
        name: item.name.clone(),
        bytes: item.length,
    };
    DryRunFacts {
        job: plan.job.clone(),
        kind: plan.kind,
        about: String::new(),
        drive: String::new(),
        landing: plan.landing.address(),
        entry: plan.form.entry(plan.generation),
        against: plan.against.as_ref().map(|generation| generation.name),
        schedule: None,
        next: Vec::new(),
        stops: plan.stops.clone(),
        notes: plan.notes.clone(),
        changes: measured.changes,
        first: measured.first.iter().map(name).collect(),
        steps: plan
            .steps
            .iter()
            .map(|step| PlannedStep {
                words: step.words.clone(),
                on: step.on,
                commands: step.commands(),
            })
            .collect(),
        retired: Vec::new(),
        frees: None,
        target: None,
        service: None,
    }
}

/// What would stop a run after measuring.
fn would_stop(plan: &Plan, measured: &Executed, gathered: &Gathered) -> Option<Stop> {
    if measured.stop.is_some() {
        return measured.stop.clone();
    }
    let changes = measured.changes?;
    let space = match gathered.facts.drive {
        DriveState::Ready(space) => Some(space),
        DriveState::NotReady(_) => None,
    };
    plan.steps.iter().find_map(|step| match &step.act {
        Act::Check(check) => check_changes(check, &changes, plan.against.as_ref(), space)
            // how much room the leftovers give is known only when they are gone
            .filter(|stop| stop.outcome != Outcome::DriveFull || check.give_up.is_empty()),
        _ => None,
    })
}

/// What retention and the cap would decide once the new generation is there.
fn would_retire(
    retiring: Retiring,
    plan: &Plan,
    generations: &[Generation],
    changes: Option<Changes>,
    facts: &mut DryRunFacts,
) {
    let mut all: Vec<Generation> = generations
        .iter()
        .filter(|one| one.state == State::Whole && one.form != CopyForm::Current)
        .cloned()
        .collect();
    let Some(newest) = all.first().cloned() else {
        return;
    };
    let measured = retiring.job.cap.and_then(|_| use_of(&plan.landing).ok());
    let new_bytes = changes.map_or(0, |changes| changes.new_bytes);
    let shares = (plan.form == CopyForm::Tree).then_some(newest.name);
    let space = measured.map(|measured| foreseen(&measured.space, shares, plan, new_bytes));
    all.insert(
        0,
        Generation {
            name: plan.generation,
            ..newest
        },
    );
    let decided = retiring.decisions(&all, space.as_ref());
    let held = decided.held_back;
    facts
        .notes
        .extend(held.map(|held| held_back_words(&retiring.job.name, held)));
    let (kept, gone): (Vec<_>, Vec<_>) = decided.decisions.into_iter().partition(|one| one.kept);
    if let Some(space) = space.filter(|_| !gone.is_empty()) {
        let left = space.use_of(&kept.iter().map(|one| one.generation).collect());
        facts.frees = Some(space.total().bytes() - left.bytes());
    }
    facts.retired = gone;
}

/// The use once the new generation is there: it shares what `shares` holds, and what is new is its own. What will
/// no longer be in it cannot be told beforehand.
fn foreseen(
    space: &SpaceMap,
    shares: Option<GenerationName>,
    plan: &Plan,
    new_bytes: u64,
) -> SpaceMap {
    let mut foreseen = SpaceMap::default();
    foreseen.add([], space.base().bytes());
    for (owners, bytes) in space.classes() {
        let also = shares.filter(|shared| owners.contains(shared));
        let also = also.map(|_| plan.generation);
        foreseen.add(owners.iter().copied().chain(also), bytes);
    }
    foreseen.add([plan.generation], new_bytes);
    foreseen
}
