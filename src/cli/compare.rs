//! `hayloft restore JOB --compare`: how the server differs from what an export of its settings tells.

use std::fs;
use std::path::Path;

use super::arguments::RestoreArguments;
use super::restore::{choose, look, refused};
use super::secret::secret;
use super::settings::{Form, Settings, trouble};
use crate::exit::Exit;
use crate::jobs::{Config, Job, KindName};
use crate::plan::kinds::settings::members;
use crate::plan::{Part, Plan, Step};
use crate::report::{ComparedFacts, compared_text, to_json_line};
use crate::restore::{Opening, open_export, plan_of};
use crate::run::{Executor, Progress, RunLog, StopSignal};
use crate::settings::{Kept, difference};
use crate::system::{Gathered, settings_facts};

/// # Errors
/// What could not be done, after telling.
pub fn compare(
    settings: &Settings,
    config: &Config,
    job: &Job,
    wanted: &RestoreArguments,
) -> Result<Exit, Exit> {
    if job.kind.name() != KindName::Settings {
        eprintln!(
            "error: job `{}` is of kind `{}`: only what was kept of a server's settings can be compared with it",
            job.name,
            job.kind.name()
        );
        return Err(Exit::Usage);
    }
    let secret = secret(job, &wanted.secret)?;
    let (gathered, generations) = look(settings, config, job)?;
    let generation = choose(job, &generations, wanted)?;
    let opening = Opening {
        job,
        generation,
        landing: &gathered.facts.landing,
        opener: secret.opener.clone(),
        own_program: &gathered.facts.own_program,
    };
    let now = gathered.facts.now;
    let here = settings_facts::look().map_err(|stop| refused(&stop))?;
    RunLog::install();
    let (then, _) = gather_members(&open_export(&opening, now), &gathered)?;
    let steps = members(&here).into_iter().map(|step| Step {
        part: Part::Measure,
        ..step
    });
    let (now, notes) = gather_members(&plan_of(&opening, now, steps.collect()), &gathered)?;
    let facts = ComparedFacts {
        job: job.name.clone(),
        generation: generation.name,
        notes,
        difference: difference(&then, &now),
    };
    match settings.form {
        Form::Json => print!("{}", to_json_line(&facts)),
        Form::Text => print!("{}", compared_text(&facts)),
    }
    Ok(Exit::Well)
}

/// What the steps of a plan keep, and what is to be said of it.
fn gather_members(plan: &Plan, gathered: &Gathered) -> Result<(Kept, Vec<String>), Exit> {
    let signal = StopSignal::listen().map_err(|error| trouble(&error))?;
    let progress = Progress::for_this_terminal();
    let scratch: &Path = &gathered.facts.indexes;
    fs::create_dir_all(scratch).map_err(|error| trouble(&error))?;
    let mut executor = Executor::new(plan, gathered.held.as_ref(), &signal, &progress);
    executor.scratch = scratch.to_owned();
    executor.done.stop = plan.stops.first().cloned();
    executor.execute(&plan.steps);
    if let Some(stop) = &executor.done.stop {
        return Err(refused(stop));
    }
    let mut kept = Kept::default();
    for member in executor.members() {
        let taken = member
            .open()
            .and_then(|content| kept.take(&member.told.name, content));
        taken.map_err(|error| trouble(&error))?;
    }
    Ok((kept, executor.done.notes))
}
