//! `hayloft restore JOB`

use super::arguments::RestoreArguments;
use super::restore_checks::{check_paths, check_target, check_they_are_there};
use super::secret::secret;
use super::settings::{Form, Settings, job_named, trouble};
use super::{compare, dry_run, load};
use crate::exit::Exit;
use crate::jobs::{Config, Job};
use crate::plan::{DriveState, Part, Plan, Stop};
use crate::record::{Form as CopyForm, Generation, Outcome, State};
use crate::report::{RestoreFacts, restore_text, to_json_line};
use crate::restore::{Wish, plan_restore};
use crate::run::account::Account;
use crate::run::{Executor, Progress, RunLog, StopSignal, known_hosts};
use crate::system::clock::Clock;
use crate::system::{Asked, Gathered, copy_roots, gather_for_reading};
use crate::tools::Existing;

pub fn restore(settings: &Settings, wanted: &RestoreArguments) -> Exit {
    try_restore(settings, wanted).unwrap_or_else(|exit| exit)
}

fn try_restore(settings: &Settings, wanted: &RestoreArguments) -> Result<Exit, Exit> {
    let config = settings.config()?;
    let job = job_named(&config, &wanted.job)?;
    if wanted.service.load {
        return load::load(settings, &config, job, wanted);
    }
    if let Some(dn) = &wanted.service.entry {
        return load::entries(settings, &config, job, wanted, dn);
    }
    if wanted.service.compare {
        return compare::compare(settings, &config, job, wanted);
    }
    check_paths(wanted)?;
    let secret = secret(job, &wanted.secret)?;
    let (gathered, generations) = look(settings, &config, job)?;
    let generation = described(&gathered, choose(job, &generations, wanted)?, wanted)?;
    let to = wanted.to.clone().unwrap_or_default();
    let to = std::path::absolute(to).map_err(|error| trouble(&error))?;
    check_target(&gathered.facts.landing, &to)?;
    check_they_are_there(&gathered.facts.landing, &generation, wanted)?;
    let wish = Wish {
        job,
        generation: &generation,
        landing: &gathered.facts.landing,
        paths: &wanted.paths,
        to: &to,
        existing: if wanted.replace {
            Existing::Replace
        } else {
            Existing::Keep
        },
        opener: secret.opener.clone(),
        own_program: &gathered.facts.own_program,
        now: gathered.facts.now,
    };
    let plan = plan_restore(&wish);
    if wanted.dry_run {
        return Ok(dry_run::show_restore(
            settings, &config, &plan, &gathered, &to,
        ));
    }
    Ok(execute(settings, &plan, &gathered, &generation, &to))
}

/// The drive's own list is believed: a restore must work when the record is gone.
pub(super) fn look(
    settings: &Settings,
    config: &Config,
    job: &Job,
) -> Result<(Gathered, Vec<Generation>), Exit> {
    let known_hosts = known_hosts(config);
    let asked = Asked::of(config, job, &known_hosts, settings.clock.now());
    let mut account = Account::default();
    let gathered = gather_for_reading(asked, |listing| {
        account = Account::of_drive(asked, listing);
        (account.whole(), Vec::new())
    });
    if let DriveState::NotReady(stop) = &gathered.facts.drive {
        return Err(refused(stop));
    }
    Ok((gathered, account.whole()))
}

pub(super) fn refused(stop: &Stop) -> Exit {
    eprintln!("error: {}", stop.reason);
    stop.advice
        .iter()
        .for_each(|advice| eprintln!("       {advice}"));
    Exit::of(stop.outcome)
}

/// A tree that was in no list tells its sources itself, where all of it is wanted.
fn described(
    gathered: &Gathered,
    generation: &Generation,
    wanted: &RestoreArguments,
) -> Result<Generation, Exit> {
    let mut generation = generation.clone();
    let is_tree = matches!(generation.form, CopyForm::Tree | CopyForm::Current);
    if is_tree && generation.sources.is_empty() && wanted.paths.is_empty() {
        let entry = generation.form.entry(generation.name);
        let roots = copy_roots(&gathered.facts.landing, gathered.held.as_ref(), &entry);
        generation.sources = roots.map_err(|stop| refused(&stop))?;
    }
    Ok(generation)
}

pub(super) fn choose<'g>(
    job: &Job,
    generations: &'g [Generation],
    wanted: &RestoreArguments,
) -> Result<&'g Generation, Exit> {
    let chosen = match wanted.from {
        None => generations
            .iter()
            .find(|one| one.state == State::Whole)
            .or(generations.first()),
        Some(name) => generations.iter().find(|one| one.name == name),
    };
    match (chosen, wanted.from) {
        (Some(generation), _) => {
            if generation.state == State::Updating {
                eprintln!(
                    "note: the mirror was being updated when its run was cut short: it is of two times"
                );
            }
            Ok(generation)
        }
        (None, Some(name)) => {
            eprintln!(
                "error: job `{}` has no generation {name}; `hayloft generations {}` lists them",
                job.name, job.name
            );
            Err(Exit::Usage)
        }
        (None, None) => {
            eprintln!(
                "error: job `{}` has no generation yet: nothing can be brought back",
                job.name
            );
            Err(Exit::Trouble)
        }
    }
}

fn execute(
    settings: &Settings,
    plan: &Plan,
    gathered: &Gathered,
    generation: &Generation,
    to: &std::path::Path,
) -> Exit {
    RunLog::install();
    let signal = match StopSignal::listen() {
        Ok(signal) => signal,
        Err(error) => return trouble(&error),
    };
    let progress = Progress::for_this_terminal();
    let mut executor = Executor::new(plan, gathered.held.as_ref(), &signal, &progress);
    executor.done.stop = plan.stops.first().cloned();
    debug_assert!(
        plan.steps
            .iter()
            .all(|step| matches!(step.part, Part::Measure | Part::Restore))
    );
    executor.execute(&plan.steps);
    let done = executor.done;
    let facts = RestoreFacts {
        job: plan.job.clone(),
        generation: generation.name,
        to: to.to_owned(),
        outcome: done
            .stop
            .as_ref()
            .map_or(Outcome::Well, |stop| stop.outcome),
        reason: done
            .stop
            .as_ref()
            .map_or_else(String::new, |stop| stop.reason.clone()),
        advice: done
            .stop
            .as_ref()
            .map_or_else(Vec::new, |stop| stop.advice.clone()),
        notes: done.notes,
        changes: done.changes,
        steps: done.steps,
    };
    match settings.form {
        Form::Json => print!("{}", to_json_line(&facts)),
        Form::Text => print!("{}", restore_text(&facts)),
    }
    Exit::of(facts.outcome)
}
