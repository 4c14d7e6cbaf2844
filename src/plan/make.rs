//! From a job and facts to its plan.

use jiff::ToSpan;

use super::kinds::export::Export;
use super::kinds::{self, Copying, Frame};
use super::own_steps::{StepEnvironment, post_steps, pre_steps};
use super::{Allowance, DriveState, Facts, Plan, SourceState, Stop};
use crate::jobs::{Drive, DrivePlace, Job, Kind, Name, Source, Span};
use crate::record::{Form, Generation, GenerationName, Outcome};

/// The plan of one run. It always holds the steps; `stops` says why they must not run.
pub fn make_plan(job: &Job, drive: &Drive, facts: &Facts, allowance: Allowance) -> Plan {
    let generation = free_name(facts);
    let environment = StepEnvironment {
        server: &facts.server,
        landing: &facts.landing,
        generation,
        accounts: &facts.accounts,
    };
    let mut plan = Plan {
        job: job.name.clone(),
        kind: job.kind.name(),
        at: facts.now,
        landing: facts.landing.clone(),
        generation,
        form: form_of(&job.kind),
        against: newest_alike(&job.kind, &facts.generations),
        notes: notes(facts),
        stops: stops(job, drive, facts),
        steps: pre_steps(job, environment),
        timeout: job.timeout.map(Span::duration),
    };
    let frame = Frame {
        job,
        drive,
        facts,
        allowance,
    };
    if let Some(source) = &job.source {
        let copying = Copying { frame, source };
        let steps = match &job.kind {
            Kind::History => kinds::history::steps(copying, &plan),
            Kind::Mirror => kinds::mirror::steps(copying, &mut plan),
            Kind::Archive { encrypt } => kinds::archive::steps(copying, encrypt.as_ref(), &plan),
            Kind::Clone { .. }
            | Kind::Directory(_)
            | Kind::Database { .. }
            | Kind::Settings { .. } => Vec::new(),
        };
        plan.steps.extend(steps);
    }
    if let Some(export) = export(frame, generation) {
        let steps = kinds::export::steps(frame, export, &plan);
        plan.steps.extend(steps);
    }
    plan.steps.extend(post_steps(job, environment));
    plan
}

/// For the kinds that export a service.
fn export(frame: Frame, generation: GenerationName) -> Option<Export> {
    match &frame.job.kind {
        Kind::Directory(directory) => Some(kinds::directory::export(frame, directory)),
        Kind::Database { .. } => Some(kinds::database::export(frame)),
        Kind::Settings { .. } => Some(kinds::settings::export(frame, generation)),
        Kind::History | Kind::Mirror | Kind::Archive { .. } | Kind::Clone { .. } => None,
    }
}

/// The newest generation of the same make: a job may have been of another kind before.
fn newest_alike(kind: &Kind, generations: &[Generation]) -> Option<Generation> {
    let is_archive = |form| matches!(form, Form::Tar | Form::SealedTar);
    let wanted = form_of(kind);
    let alike =
        |one: &&Generation| one.form == wanted || (is_archive(one.form) && is_archive(wanted));
    generations.iter().find(alike).cloned()
}

/// Two runs within one second must not share a name.
fn free_name(facts: &Facts) -> GenerationName {
    let mut name = GenerationName::at(facts.now);
    while is_taken(name, facts) {
        name = GenerationName::at(name.instant() + 1.second());
    }
    name
}

fn is_taken(name: GenerationName, facts: &Facts) -> bool {
    let text = name.to_string();
    facts
        .generations
        .iter()
        .any(|generation| generation.name == name)
        || facts.leftovers.iter().any(|entry| entry.starts_with(&text))
}

fn form_of(kind: &Kind) -> Form {
    match kind {
        Kind::Mirror => Form::Current,
        Kind::History | Kind::Clone { .. } => Form::Tree,
        Kind::Archive { .. }
        | Kind::Directory(_)
        | Kind::Database { .. }
        | Kind::Settings { .. } => {
            if kind.encrypt().is_some() {
                Form::SealedTar
            } else {
                Form::Tar
            }
        }
    }
}

fn notes(facts: &Facts) -> Vec<String> {
    let hidden = facts.hidden.iter();
    hidden
        .map(|hidden| format!("`{}` is left out: {}", hidden.path.display(), hidden.why))
        .collect()
}

/// What keeps a job from running whatever the state of its drive and source.
pub fn standing_stops(job: &Job, drive: &Drive, facts: &Facts) -> Vec<Stop> {
    let mut stops = Vec::new();
    if !job.kind.name().is_built() {
        stops.push(not_built(&job.name, job.kind.name().word()));
    }
    if let (Some(Source::Ssh { .. }), DrivePlace::Ssh { .. }) = (&job.source, &drive.place) {
        let reason = format!(
            "job `{}` would copy from one host over ssh to another: not built yet",
            job.name
        );
        stops.push(Stop::new(Outcome::NotBuilt, reason).advise(
            "copy to a local drive first, and from there to the other host with a second job",
        ));
    }
    if !facts.missing_programs.is_empty() {
        let programs = facts.missing_programs.join("`, `");
        let reason = format!("`{programs}` is needed and not on PATH");
        stops.push(Stop::new(Outcome::Failed, reason).advise(format!(
            "install it: apt install {}",
            facts.missing_programs.join(" ")
        )));
    }
    let users = job
        .pre
        .iter()
        .chain(&job.post)
        .filter_map(|step| step.user.as_ref());
    for user in users.filter(|user| !facts.accounts.contains_key(*user)) {
        let reason = format!("a step is to run as `{user}`, but this server has no such account");
        stops.push(Stop::new(Outcome::Failed, reason).advise(format!(
            "correct `user` in the file of job `{}`, or make the account; no step was run",
            job.name
        )));
    }
    stops
}

fn stops(job: &Job, drive: &Drive, facts: &Facts) -> Vec<Stop> {
    let mut stops = standing_stops(job, drive, facts);
    if let SourceState::Missing(stop) = &facts.source {
        stops.push(stop.clone());
    }
    if let DriveState::NotReady(stop) = &facts.drive {
        stops.push(stop.clone());
    }
    stops
}

fn not_built(job: &Name, kind: &str) -> Stop {
    Stop::new(
        Outcome::NotBuilt,
        format!("job `{job}` is of kind `{kind}`: read and checked, but not built yet"),
    )
    .advise(
        "history, mirror, archive, directory, database and settings are built; what this job should cover is NOT protected by it",
    )
}
