//! After a power cut or a kill: runs that never ended are told as cut short, and steps that were owed are run.

use std::path::Path;

use tracing::warn;

use super::control::Control;
use super::job_run::Runner;
use super::locks::{is_at_work, is_running, lock_job};
use super::output::Heard;
use super::owed::{self, Owed};
use super::process::{Surroundings, run_pipeline};
use super::start::Joined;
use crate::jobs::Name;
use crate::plan::{Act, Stop};
use crate::record::{Outcome, RunRecord, Store, StoreError, Task};
use crate::tools::Ended;

/// What is known of a run that has neither an end nor a process.
pub const CUT_SHORT: &str = "the run never ended: the process was killed or the power was cut";

/// Whether a recorded run without an end has no process any more.
///
/// # Errors
/// When the record cannot be read.
pub fn was_cut_short(state_dir: &Path, store: &Store, run: &RunRecord) -> Result<bool, StoreError> {
    if is_at_work(state_dir, run) {
        return Ok(false);
    }
    // A run lets go of its lock once its end is recorded: it may have ended since it was looked up.
    let now = store.run(&run.id)?;
    Ok(now.is_some_and(|run| run.outcome.is_none()))
}

/// Whether a run of the job was cut short, or left steps that are owed, with no process at work on it.
///
/// # Errors
/// When the record cannot be read.
pub fn is_needed(state_dir: &Path, store: &Store, job: &Name) -> Result<bool, StoreError> {
    if is_running(state_dir, job) {
        return Ok(false);
    }
    let latest = store.latest_run(job)?;
    let is_unfinished = latest.is_some_and(|run| run.outcome.is_none());
    Ok(is_unfinished || Owed::read(state_dir, job).is_some())
}

/// Settles every job that nothing is running. Gives the runs that were found cut short.
///
/// # Errors
/// When the record cannot be read or written.
pub fn all(runner: &Runner) -> Result<Vec<RunRecord>, StoreError> {
    let state_dir = &runner.config.server.state_dir;
    let mut jobs: Vec<Name> = runner
        .store
        .unfinished_runs()?
        .into_iter()
        .map(|run| run.job)
        .collect();
    jobs.extend(owed::all(state_dir).into_iter().map(|owed| owed.job));
    jobs.sort();
    jobs.dedup();
    let mut found = Vec::new();
    for job in jobs {
        found.extend(one(runner, &job)?);
    }
    Ok(found)
}

/// Settles one job, if nothing is running it. Gives the runs that were found cut short.
///
/// # Errors
/// When the record cannot be read or written.
pub fn one(runner: &Runner, job: &Name) -> Result<Vec<RunRecord>, StoreError> {
    match lock_job(&runner.config.server.state_dir, job, "settling") {
        Ok(_lock) => settle_job(runner, job, ""),
        Err(_) => Ok(Vec::new()),
    }
}

/// Before a new run of the job, whose lock is held: what the last one left. Gives notes.
///
/// # Errors
/// When the record cannot be read or written.
pub fn cut_short_runs(runner: &Runner, job: &Name, but: &str) -> Result<Vec<String>, StoreError> {
    let runs = settle_job(runner, job, but)?;
    Ok(runs
        .into_iter()
        .map(|run| format!("run {} before this one was cut short", run.id))
        .collect())
}

fn settle_job(runner: &Runner, job: &Name, but: &str) -> Result<Vec<RunRecord>, StoreError> {
    let state_dir = &runner.config.server.state_dir;
    let mut notes = Vec::new();
    let mut owed_by = None;
    if let Some(owed) = Owed::read(state_dir, job) {
        let (told, ended) = run_owed(&owed);
        notes = told;
        owed_by = Some(owed.run.clone());
        let is_done = ended == AllOwed::Done || owed.task != Task::Load;
        if is_done && let Err(error) = owed::settle(state_dir, job) {
            warn!("{error}");
        }
    }
    let unfinished = runner.store.unfinished_runs()?;
    let mut runs = Vec::new();
    for mut run in unfinished
        .into_iter()
        .filter(|run| run.job == *job && run.id != but)
        // the lock that is held here is that of the job itself
        .filter(|run| matches!(run.task, Task::Copy | Task::Load) || !is_at_work(state_dir, run))
    {
        run.ended = Some(runner.clock.now());
        run.outcome = Some(Outcome::CutShort);
        CUT_SHORT.clone_into(&mut run.reason);
        let was_owed = owed_by.as_ref() == Some(&run.id);
        run.advice = vec![what_follows(run.task, was_owed).to_owned()];
        run.notes.append(&mut notes);
        runner.store.finish_run(&run)?;
        runs.push(run);
    }
    Ok(runs)
}

fn what_follows(task: Task, was_owed: bool) -> &'static str {
    match task {
        Task::Copy => "the next run uses what was copied so far, and cleans up",
        Task::Verify => "nothing was written to the drive; verify again",
        Task::Slice => "the next one goes on from where this one was",
        Task::Load if was_owed => {
            "what the service held before was put back, unless a note says otherwise; look at it"
        }
        Task::Load => {
            "how far it came is not known: look at the service, and compare it with the export"
        }
        Task::Rehearse => "nothing was written to the drive or the service; rehearse again",
    }
}

/// Why nothing else may be done with a job: what a load left half done could not be undone.
pub fn not_undone(state_dir: &Path, job: &Name) -> Option<Stop> {
    let owed = Owed::read(state_dir, job).filter(|owed| owed.task == Task::Load)?;
    let reason = format!(
        "the load {} was cut short, and what the service held before could not be put back",
        owed.run
    );
    Some(
        Stop::new(Outcome::Failed, reason)
            .advise(format!(
                "`hayloft runs {}` names what failed: mend that",
                owed.run
            ))
            .advise(
                "hayloft tries once more before the next run of this job, and at its next start",
            ),
    )
}

/// Whether all that was owed ended well.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum AllOwed {
    Done,
    NotDone,
}

/// Runs the steps that a cut-short run still owed, each within its own timeout.
fn run_owed(owed: &Owed) -> (Vec<String>, AllOwed) {
    let mut notes = Vec::new();
    let mut all = AllOwed::Done;
    for step in owed.steps() {
        let Act::Tool(pipeline) = &step.act else {
            continue;
        };
        let surroundings = Surroundings {
            folder: None,
            joined: Joined::default(),
            env: vec![("HAYLOFT_OUTCOME".to_owned(), "cut-short".to_owned())],
        };
        let control = Control {
            signal: None,
            deadline: None,
        };
        let mut hear = |heard: &Heard| {
            let (Heard::Out(text) | Heard::Error(text)) = heard;
            warn!("{text}");
        };
        let end = run_pipeline(
            pipeline,
            &surroundings,
            &control.within(step.timeout),
            &mut hear,
            &mut || None,
        );
        let command = pipeline.command_line();
        if !matches!(&end, Ok(end) if end.ends.iter().all(|end| *end == Ended::WELL)) {
            all = AllOwed::NotDone;
        }
        notes.push(match end {
            Ok(end) if end.ends.iter().all(|end| *end == Ended::WELL) => {
                format!("`{command}` was owed and has been run")
            }
            Ok(end) => format!(
                "`{command}` was owed and ended with {}",
                end.ends.first().map_or_else(String::new, |end| end.words())
            ),
            Err(error) => format!("`{command}` was owed and could not be run: {error}"),
        });
    }
    (notes, all)
}
