//! The agenda of the studio's server over some nights.

use std::path::PathBuf;

use jiff::tz::TimeZone;

use super::*;
use crate::jobs::{CatchUp, Job, Kind, Server};

fn name(text: &str) -> Name {
    Name::parse(text).unwrap()
}

fn at(text: &str) -> Timestamp {
    text.parse().unwrap()
}

fn job(job: &str, schedule: &str, drive: &str, after: &[&str]) -> Job {
    Job {
        name: name(job),
        about: String::new(),
        kind: Kind::History,
        source: None,
        exclude: Vec::new(),
        drive: name(drive),
        schedule: Some(Crontab::parse(schedule).unwrap()),
        catch_up: CatchUp::RunSoon,
        timeout: None,
        rpo: None,
        rto: None,
        cap: None,
        change_guard: None,
        rehearse: None,
        after: after.iter().map(|text| name(text)).collect(),
        keep: Vec::new(),
        pre: Vec::new(),
        post: Vec::new(),
    }
}

fn config(jobs: Vec<Job>) -> Config {
    Config {
        folder: PathBuf::from("/etc/hayloft"),
        server: Server {
            name: name("kiln"),
            time_zone: TimeZone::UTC,
            state_dir: PathBuf::from("/var/lib/hayloft"),
        },
        mail: None,
        drives: BTreeMap::new(),
        machines: BTreeMap::new(),
        jobs: jobs
            .into_iter()
            .map(|job| (job.name.clone(), job))
            .collect(),
    }
}

/// An agenda whose jobs have handled everything up to `handled`, after looking at `now`.
fn agenda(config: &Config, handled: &str, now: &str) -> Agenda {
    let mut agenda = Agenda::default();
    agenda.reload(None, config, at(handled), |_| Some(at(handled)));
    assert_eq!(agenda.look(config, &RunningJobs::new(), at(now)), []);
    agenda
}

fn running(jobs: &[(&str, &str)]) -> RunningJobs {
    jobs.iter()
        .map(|(job, drive)| (name(job), name(drive)))
        .collect()
}

/// Starts and refuses until nothing more can be done, and tells what was done.
fn work(
    agenda: &mut Agenda,
    config: &Config,
    running: &mut RunningJobs,
    now: &str,
    last_run: impl Fn(&Name) -> Option<LastRun>,
) -> Vec<String> {
    let mut done = Vec::new();
    while let Some(decision) = agenda.decide(config, running, at(now), &last_run) {
        match decision {
            Decision::Start { job, .. } => {
                agenda.take(&job);
                running.insert(job.clone(), config.jobs[&job].drive.clone());
                done.push(format!("start {job}"));
            }
            Decision::Refuse { job, reason, .. } => {
                agenda.take(&job);
                done.push(format!("refuse {job}: {reason}"));
            }
        }
    }
    done
}

fn ended(end: RunEnd) -> impl Fn(&Name) -> Option<LastRun> {
    move |_| {
        Some(LastRun {
            started: at("2026-11-25T02:30:05Z"),
            end: end.clone(),
        })
    }
}

const EVENING: &str = "2026-11-24T20:00:00Z";
const DUE: &str = "2026-11-25T02:30:00Z";

#[test]
fn jobs_on_one_drive_run_one_after_another_and_on_two_drives_side_by_side() {
    let config = config(vec![
        job("orders", "30 2 * * *", "shelf", &[]),
        job("studio-files", "30 2 * * *", "shelf", &[]),
        job("studio-away", "30 2 * * *", "barn", &[]),
    ]);
    let mut agenda = agenda(&config, EVENING, DUE);
    let mut running = RunningJobs::new();
    let never = |_: &Name| None;
    let first = work(&mut agenda, &config, &mut running, DUE, never);
    assert_eq!(first, ["start orders", "start studio-away"]);
    running.remove(&name("orders"));
    let second = work(&mut agenda, &config, &mut running, DUE, never);
    assert_eq!(second, ["start studio-files"]);
}

#[test]
fn a_job_waits_for_those_it_names_even_on_another_drive() {
    let config = config(vec![
        job("studio-files", "30 2 * * *", "shelf", &["accounts"]),
        job("accounts", "30 2 * * *", "barn", &[]),
    ]);
    let mut agenda = agenda(&config, EVENING, DUE);
    let mut running = RunningJobs::new();
    let first = work(&mut agenda, &config, &mut running, DUE, |_| None);
    assert_eq!(first, ["start accounts"]);
    running.clear();
    let second = work(&mut agenda, &config, &mut running, DUE, ended(RunEnd::Well));
    assert_eq!(second, ["start studio-files"]);
}

#[test]
fn a_job_is_refused_when_one_it_names_ended_badly() {
    let config = config(vec![
        job("studio-files", "30 2 * * *", "shelf", &["accounts"]),
        job("accounts", "30 2 * * *", "shelf", &[]),
    ]);
    let mut agenda = agenda(&config, EVENING, DUE);
    let mut running = RunningJobs::new();
    work(&mut agenda, &config, &mut running, DUE, |_| None);
    running.clear();
    let failed = ended(RunEnd::NotWell("failed".to_owned()));
    let done = work(&mut agenda, &config, &mut running, DUE, failed);
    assert_eq!(
        done,
        ["refuse studio-files: after `accounts`, which failed"]
    );
}

#[test]
fn jobs_in_a_circle_are_refused_instead_of_waiting_for_ever() {
    let config = config(vec![
        job("accounts", "30 2 * * *", "shelf", &["orders", "web"]),
        job("orders", "30 2 * * *", "barn", &["accounts"]),
        job("web", "30 4 * * *", "barn", &[]),
    ]);
    let mut agenda = agenda(&config, EVENING, DUE);
    let well = ended(RunEnd::Well);
    let done = work(&mut agenda, &config, &mut RunningJobs::new(), DUE, well);
    assert_eq!(
        done,
        [
            "refuse accounts: after `orders`, which itself waits for another job in a circle",
            "start orders"
        ]
    );
}

#[test]
fn a_run_that_outlasts_its_next_time_is_followed_by_one_catch_up_and_no_busy_timer() {
    let config = config(vec![job("orders", "*/15 * * * *", "shelf", &[])]);
    let mut agenda = agenda(&config, "2026-11-25T02:15:00Z", DUE);
    let mut busy = RunningJobs::new();
    work(&mut agenda, &config, &mut busy, DUE, |_| None);
    let late = at("2026-11-25T03:10:00Z");
    assert_eq!(agenda.look(&config, &busy, late), []);
    assert_eq!(agenda.next(late), None);
    assert_eq!(agenda.decide(&config, &busy, late, |_| None), None);

    assert_eq!(agenda.look(&config, &RunningJobs::new(), late), []);
    let pending = Pending {
        planned: at("2026-11-25T03:00:00Z"),
        punctuality: Punctuality::CatchUp,
    };
    let start = Decision::Start {
        job: name("orders"),
        pending,
    };
    assert_eq!(
        agenda.decide(&config, &RunningJobs::new(), late, |_| None),
        Some(start)
    );
    assert_eq!(
        agenda.next(late),
        Some((at("2026-11-25T03:15:00Z"), &name("orders")))
    );
}

#[test]
fn a_job_queued_for_its_drive_is_still_on_time() {
    let config = config(vec![job("orders", "30 2 * * *", "shelf", &[])]);
    let mut agenda = agenda(&config, EVENING, DUE);
    let later = at("2026-11-25T04:00:00Z");
    let other = running(&[("web", "shelf")]);
    assert_eq!(agenda.look(&config, &other, later), []);
    assert_eq!(agenda.decide(&config, &other, later, |_| None), None);
    let pending = Pending {
        planned: at(DUE),
        punctuality: Punctuality::OnTime,
    };
    let start = Decision::Start {
        job: name("orders"),
        pending,
    };
    assert_eq!(
        agenda.decide(&config, &RunningJobs::new(), later, |_| None),
        Some(start)
    );
}

#[test]
fn a_changed_line_counts_from_the_change_and_an_unchanged_one_goes_on() {
    let old = config(vec![
        job("orders", "30 2 * * *", "shelf", &[]),
        job("web", "30 2 * * *", "shelf", &[]),
    ]);
    let new = config(vec![
        job("orders", "0 10 * * *", "shelf", &[]),
        job("web", "30 2 * * *", "shelf", &[]),
    ]);
    let mut agenda = agenda(&old, DUE, "2026-11-25T14:00:00Z");
    let now = at("2026-11-25T14:00:00Z");
    let notes = agenda.reload(Some(&old), &new, now, |_| None);
    let counted = Note::Handled {
        job: name("orders"),
        time: now,
    };
    assert_eq!(notes, [counted]);
    assert_eq!(agenda.look(&new, &RunningJobs::new(), now), []);
    assert_eq!(
        agenda.decide(&new, &RunningJobs::new(), now, |_| None),
        None
    );
    assert_eq!(
        agenda.next(now),
        Some((at("2026-11-26T02:30:00Z"), &name("web")))
    );
}

#[test]
fn a_run_by_hand_holds_the_queue_and_is_asked_after_again() {
    let config = config(vec![job(
        "studio-files",
        "30 2 * * *",
        "shelf",
        &["accounts"],
    )]);
    let agenda = agenda(&config, EVENING, DUE);
    let none = RunningJobs::new();
    let by_hand = ended(RunEnd::Unfinished);
    assert_eq!(agenda.decide(&config, &none, at(DUE), &by_hand), None);
    assert!(agenda.waits_behind_run_by_hand(&config, &none, &by_hand));
    assert!(!agenda.waits_behind_run_by_hand(&config, &none, ended(RunEnd::Well)));
}

/// An agenda of one job whose run was put off to a minute after its time.
fn put_off() -> (Config, Agenda) {
    let config = config(vec![job("orders", "30 2 * * *", "shelf", &[])]);
    let mut agenda = agenda(&config, EVENING, DUE);
    let start = agenda.decide(&config, &RunningJobs::new(), at(DUE), |_| None);
    let Some(Decision::Start { job, pending }) = start else {
        panic!("{start:?}");
    };
    agenda.take(&job);
    agenda.put_off(&job, pending, at("2026-11-25T02:31:00Z"));
    (config, agenda)
}

#[test]
fn a_run_that_was_put_off_is_tried_again_at_its_time_and_not_before() {
    let (config, mut agenda) = put_off();
    let mut try_at = |now: &str| {
        assert_eq!(agenda.look(&config, &RunningJobs::new(), at(now)), []);
        let next = agenda.put_off_until(at(now));
        let done = work(&mut agenda, &config, &mut RunningJobs::new(), now, |_| None);
        (done, next)
    };
    let until = Some(at("2026-11-25T02:31:00Z"));
    assert_eq!(try_at("2026-11-25T02:30:59Z"), (Vec::new(), until));
    let started = vec!["start orders".to_owned()];
    assert_eq!(try_at("2026-11-25T02:31:00Z"), (started, None));
    assert_eq!(try_at("2026-11-25T02:32:00Z"), (Vec::new(), None));
}

#[test]
fn a_run_that_is_put_off_until_its_next_time_is_told() {
    let (config, mut agenda) = put_off();
    let next_night = "2026-11-26T02:30:00Z";
    let notes = agenda.look(&config, &RunningJobs::new(), at(next_night));
    let overtaken = Note::Overtaken {
        job: name("orders"),
        planned: at(DUE),
    };
    assert_eq!(notes, [overtaken]);
    let done = work(
        &mut agenda,
        &config,
        &mut RunningJobs::new(),
        next_night,
        |_| None,
    );
    assert_eq!(done, ["start orders"]);
}
