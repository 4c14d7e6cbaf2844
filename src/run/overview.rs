//! What there is to know now: gathers the facts of the status.

use jiff::{SignedDuration, Timestamp};

use super::locks::{is_running, service_words};
use super::outlook::Recorded;
use super::{proof_overview, settle};
use crate::jobs::{Config, Drive, DrivePlace, Job};
use crate::mail::Outbox;
use crate::record::{Outcome, RunRecord, State, Store, Task};
use crate::report::{
    DriveReadiness, DriveSpace, DriveStatus, JobStatus, LastGood, LastRun, MailFacts, StatusFacts,
    time,
};
use crate::system::local_drive::{self, Purpose};

/// A job may be so late before somebody has to look: jobs before it on its drive take their time.
const OVERDUE: SignedDuration = SignedDuration::from_hours(3);

/// Looks at the record, the local drives and the outbox. Other hosts are not asked.
pub fn overview(config: &Config, store: &Store, now: Timestamp) -> StatusFacts {
    let mut attention = Vec::new();
    match store.alarms() {
        Ok(alarms) => attention.extend(alarms.into_iter().map(|alarm| alarm.words)),
        Err(error) => attention.push(error.to_string()),
    }
    let jobs: Vec<JobStatus> = config
        .jobs
        .values()
        .map(|job| job_status(config, store, job, now))
        .collect();
    let recorded = Recorded::read(config, store, now);
    if let Err(error) = &recorded {
        attention.push(error.to_string());
    }
    let drives: Vec<DriveStatus> = (config.drives.values())
        .map(|drive| drive_status(config, store, drive, recorded.as_ref().ok(), now))
        .collect();
    attention.extend(jobs.iter().filter_map(job_trouble));
    attention.extend(jobs.iter().flat_map(proof_overview::open_words));
    let overdue = config.jobs.values();
    attention.extend(overdue.filter_map(|job| overdue_words(config, store, job, now)));
    attention.extend(
        drives
            .iter()
            .filter(|drive| drive.ready == DriveReadiness::NotReady)
            .map(|drive| drive.words.clone()),
    );
    let zone = &config.server.time_zone;
    attention.extend(
        drives
            .iter()
            .filter_map(|drive| proof_overview::late_words(drive, zone)),
    );
    StatusFacts {
        server: config.server.name.clone(),
        now,
        attention,
        jobs,
        drives,
        mail: config.mail.as_ref().map(|_| mail_facts(config)),
        service: service_words(&config.server.state_dir),
    }
}

fn job_status(config: &Config, store: &Store, job: &Job, now: Timestamp) -> JobStatus {
    let run = store.latest_run(&job.name).ok().flatten();
    let drive = &job.drive;
    let generations = store
        .generations(drive, &config.server.name, &job.name)
        .unwrap_or_default();
    let running = run
        .as_ref()
        .filter(|run| run.outcome.is_none() && is_running(&config.server.state_dir, &job.name));
    JobStatus {
        name: job.name.clone(),
        kind: job.kind.name(),
        about: job.about.clone(),
        running_since: running.map(|run| run.started),
        last: ended_run(config, store, job, Task::Copy),
        rehearsed: ended_run(config, store, job, Task::Rehearse),
        last_good: generations
            .iter()
            .find(|one| one.state == State::Whole)
            .map(|one| LastGood {
                generation: one.name,
                ended: one.ended,
            }),
        next: job
            .schedule
            .as_ref()
            .and_then(|line| line.next_after(&config.server.time_zone, now)),
        schedule: job.schedule.as_ref().map(|line| line.as_str().to_owned()),
        verified: proof_overview::verified(store, job, &generations),
    }
}

/// The newest run that is over; one without an end whose process is gone was cut short.
fn ended_run(config: &Config, store: &Store, job: &Job, task: Task) -> Option<LastRun> {
    let filter = crate::record::RunFilter {
        job: Some(job.name.clone()),
        limit: Some(2),
        task: Some(task),
        ..Default::default()
    };
    let runs = store.runs(&filter).unwrap_or_default();
    let is_over = |run: &RunRecord| {
        run.outcome.is_some()
            || settle::was_cut_short(&config.server.state_dir, store, run).unwrap_or(false)
    };
    let ended = runs.into_iter().find(is_over)?;
    Some(match ended.outcome {
        Some(outcome) => LastRun {
            outcome,
            ended: ended.ended.unwrap_or(ended.started),
            words: ended.reason,
            id: ended.id,
        },
        None => LastRun {
            outcome: Outcome::CutShort,
            ended: ended.started,
            words: settle::CUT_SHORT.to_owned(),
            id: ended.id,
        },
    })
}

fn job_trouble(job: &JobStatus) -> Option<String> {
    let name = &job.name;
    if let Some(last) = job.last.as_ref().filter(|last| !last.outcome.is_well()) {
        return Some(format!("{name}: {}: {}", last.outcome.words(), last.words));
    }
    if let Some(last) = job
        .rehearsed
        .as_ref()
        .filter(|last| !last.outcome.is_well())
    {
        let words = &last.words;
        return Some(format!("{name}: the last rehearsal went wrong: {words}"));
    }
    if job.last_good.is_some() || job.running_since.is_some() {
        return None;
    }
    Some(if job.kind.is_built() {
        format!("{name}: there is no copy yet; what it is for is not protected")
    } else {
        format!(
            "{name}: kind `{}` is not built yet; what it is for is not protected",
            job.kind
        )
    })
}

/// A planned time that passed and was neither run nor noted: nothing is there that would have done it.
fn overdue_words(config: &Config, store: &Store, job: &Job, now: Timestamp) -> Option<String> {
    let (line, zone) = (job.schedule.as_ref()?, &config.server.time_zone);
    let handled = store.handled(&job.name).ok()??;
    let planned = line.latest_in(zone, handled, now - OVERDUE)?;
    let latest = store.latest_run(&job.name).ok()?;
    if latest.is_some_and(|run| run.started >= planned) {
        return None;
    }
    Some(format!(
        "{}: it was due {} and has not run; the service is {}",
        job.name,
        time(planned, zone),
        service_words(&config.server.state_dir)
    ))
}

fn drive_status(
    config: &Config,
    store: &Store,
    drive: &Drive,
    recorded: Option<&Recorded>,
    now: Timestamp,
) -> DriveStatus {
    let reserve = drive.reserve.bytes();
    let (ready, words, space) = match &drive.place {
        DrivePlace::Ssh { .. } => (
            DriveReadiness::Unknown,
            "asked when a job runs".to_owned(),
            None,
        ),
        DrivePlace::Local { path, uuid } => {
            match local_drive::hold(&drive.name, path, uuid, Purpose::Writing) {
                Err(stop) => (DriveReadiness::NotReady, stop.reason, None),
                Ok(held) => {
                    let space = held.space().ok().map(|space| DriveSpace {
                        total: space.total,
                        free: space.free,
                        reserve,
                    });
                    (DriveReadiness::Ready, "ready".to_owned(), space)
                }
            }
        }
    };
    DriveStatus {
        name: drive.name.clone(),
        address: drive.address(),
        ready,
        words,
        space,
        offsite: drive.offsite,
        filling: recorded.map(|recorded| recorded.filling(drive)),
        reread: proof_overview::reread_status(config, store, drive, now),
    }
}

fn mail_facts(config: &Config) -> MailFacts {
    let facts = Outbox::open(&config.server.state_dir).and_then(|outbox| outbox.waiting());
    facts.unwrap_or_else(|error| MailFacts {
        warnings: vec![error.to_string()],
        ..MailFacts::default()
    })
}
