//! `hayloft run --due`: for those who let another scheduler wake hayloft.

use std::collections::BTreeSet;

use super::run::Session;
use super::serve_host::last_run_of;
use super::settings::trouble;
use super::tell;
use crate::exit::Exit;
use crate::jobs::{Job, Name};
use crate::keep::Consent;
use crate::plan::Allowance;
use crate::record::{Outcome, Trigger};
use crate::run::{settle, skipped_record};
use crate::schedule::{
    Activity, Gate, Predecessor, Punctuality, Queued, Skipped, Timetable, Verdict, gate, in_order,
    verdict,
};
use crate::system::clock::Clock;

/// A job whose time has come.
struct Due<'a> {
    job: &'a Job,
    trigger: Trigger,
    planned: jiff::Timestamp,
}

/// Runs what is due, in order.
///
/// # Errors
/// [`Exit::Trouble`] when the record cannot be read or written, after telling.
pub fn run_due(session: &Session) -> Result<Exit, Exit> {
    let mut exit = settle_leftovers(session)?;
    let mut due = Vec::new();
    for job in session.config.jobs.values() {
        match look(session, job)? {
            Looked::Due(one) => due.push(one),
            Looked::Missed => exit = exit.and(Exit::Trouble),
            Looked::Nothing => {}
        }
    }
    let queued = due.iter().map(|one| Queued {
        name: &one.job.name,
        planned: one.planned,
        after: &one.job.after,
    });
    let order: Vec<Name> = in_order(queued.collect())
        .iter()
        .map(|one| one.name.clone())
        .collect();
    let mut left: BTreeSet<Name> = order.iter().cloned().collect();
    for name in order {
        left.remove(&name);
        if let Some(one) = due.iter().find(|one| one.job.name == name) {
            exit = exit.and(run_one(session, one, &left)?);
        }
        if session.signal.is_set() {
            break;
        }
    }
    Ok(exit)
}

/// Runs that were cut short are told of, and steps they owed are run, before anything else.
fn settle_leftovers(session: &Session) -> Result<Exit, Exit> {
    let found = settle::all(&session.runner()).map_err(|error| trouble(&error))?;
    for run in &found {
        tell::print(session.settings, session.config, run);
        tell::mail(session.settings, session.config, run);
    }
    Ok(if found.is_empty() {
        Exit::Well
    } else {
        Exit::Trouble
    })
}

enum Looked<'a> {
    Due(Due<'a>),
    Missed,
    Nothing,
}

fn look<'a>(session: &'a Session, job: &'a Job) -> Result<Looked<'a>, Exit> {
    let Some(crontab) = &job.schedule else {
        return Ok(Looked::Nothing);
    };
    let store = session.store;
    let mut missed = Looked::Nothing;
    loop {
        let timetable = Timetable {
            crontab,
            catch_up: job.catch_up,
            handled: store.handled(&job.name).map_err(|error| trouble(&error))?,
        };
        let now = session.settings.clock.now();
        let handle = |time| {
            store
                .set_handled(&job.name, time)
                .map_err(|error| trouble(&error))
        };
        match verdict(timetable, &session.config.server.time_zone, now) {
            Verdict::Wait { .. } => return Ok(missed),
            Verdict::CountFrom(time) => handle(time)?,
            Verdict::Missed { planned } => {
                handle(planned)?;
                skip(
                    session,
                    job,
                    planned,
                    Outcome::Missed,
                    "its time passed while nothing was running",
                )?;
                missed = Looked::Missed;
            }
            Verdict::Run {
                planned,
                punctuality,
            } => {
                let trigger = match punctuality {
                    Punctuality::OnTime => Trigger::Schedule { planned },
                    Punctuality::CatchUp => Trigger::CatchUp { planned },
                };
                return Ok(Looked::Due(Due {
                    job,
                    trigger,
                    planned,
                }));
            }
        }
    }
}

fn run_one(session: &Session, one: &Due, left: &BTreeSet<Name>) -> Result<Exit, Exit> {
    let now = session.settings.clock.now();
    let predecessors = one
        .job
        .after
        .iter()
        .map(|name| {
            let schedule = session
                .config
                .jobs
                .get(name)
                .and_then(|job| job.schedule.as_ref());
            Ok(Predecessor {
                name,
                activity: if left.contains(name) {
                    Activity::Busy
                } else {
                    Activity::Idle
                },
                last_run: last_run_of(session.config, session.store, name)
                    .map_err(|error| trouble(&error))?,
                latest_planned: schedule.and_then(|line| {
                    let zone = &session.config.server.time_zone;
                    line.latest_in(zone, now - jiff::SignedDuration::from_hours(24 * 40), now)
                }),
            })
        })
        .collect::<Result<Vec<_>, Exit>>()?;
    match gate(&predecessors, now) {
        Gate::Open => {}
        Gate::Hold { behind } => {
            eprintln!(
                "note: `{}` stays due: it runs after `{behind}`, which is still running",
                one.job.name
            );
            return Ok(Exit::Busy);
        }
        Gate::Refuse { reason } => {
            session
                .store
                .set_handled(&one.job.name, one.planned)
                .map_err(|error| trouble(&error))?;
            return skip(session, one.job, one.planned, Outcome::Waiting, &reason);
        }
    }
    let exit = session.run(one.job, one.trigger, Allowance::Usual, Consent::UpToHalf)?;
    if exit != Exit::Busy {
        session
            .store
            .set_handled(&one.job.name, one.planned)
            .map_err(|error| trouble(&error))?;
    }
    Ok(exit)
}

fn skip(
    session: &Session,
    job: &Job,
    planned: jiff::Timestamp,
    outcome: Outcome,
    reason: &str,
) -> Result<Exit, Exit> {
    let skipped = Skipped {
        job: job.name.clone(),
        planned,
        outcome,
        reason: reason.to_owned(),
    };
    let runner = session.runner();
    let run = skipped_record(&runner, job, &skipped).map_err(|error| trouble(&error))?;
    tell::print(session.settings, session.config, &run);
    tell::mail(session.settings, session.config, &run);
    Ok(Exit::Trouble)
}
