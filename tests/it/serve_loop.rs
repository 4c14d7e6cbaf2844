//! The loop of `hayloft serve` with real child processes, on clocks that are not the system's.

use std::fs;
use std::sync::{Arc, Mutex};
use std::thread::{self, JoinHandle};
use std::time::{Duration, Instant};

use hayloft::schedule::{LastRun, RunEnd, Service, SignalSender, Signals};
use hayloft::system::clock::{Clock, ShiftedClock};
use jiff::{SignedDuration, Timestamp};
use tempfile::TempDir;

use crate::scripted_host::{ScriptedHost, at, config, job, name};

/// A clock that a test sets while the service runs.
#[derive(Clone)]
struct SettableClock(Arc<Mutex<ShiftedClock>>);

impl SettableClock {
    fn starting_at(instant: &str) -> Self {
        Self(Arc::new(Mutex::new(ShiftedClock::starting_at(at(instant)))))
    }

    fn set(&self, instant: &str) {
        *self.0.lock().unwrap() = ShiftedClock::starting_at(at(instant));
    }
}

impl Clock for SettableClock {
    fn now(&self) -> Timestamp {
        self.0.lock().unwrap().now()
    }

    fn to_system(&self, time: Timestamp) -> Timestamp {
        self.0.lock().unwrap().to_system(time)
    }
}

/// A service on a thread of its own; stopped when the test ends it.
struct Running {
    sender: SignalSender,
    thread: JoinHandle<()>,
}

impl Running {
    fn start(host: &ScriptedHost, clock: impl Clock + Send + 'static) -> Self {
        let (signals, sender) = Signals::injected().unwrap();
        let service = Service::new(host.clone(), clock, signals).unwrap();
        let thread = thread::spawn(move || {
            service.run().unwrap();
        });
        Self { sender, thread }
    }

    fn stop(mut self) {
        self.sender.terminate().unwrap();
        self.thread.join().unwrap();
    }
}

fn folder() -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    fs::create_dir(folder.path().join("jobs")).unwrap();
    folder
}

const EVENING: &str = "2026-11-24T02:30:00Z";

#[test]
fn a_job_starts_at_its_planned_time_and_is_handled() {
    let folder = folder();
    let config = config("UTC", vec![job("orders", "30 2 * * *", "shelf", &[])]);
    let host = ScriptedHost::new(folder.path(), config).with("orders", "true", EVENING);
    let clock = ShiftedClock::starting_at(at("2026-11-25T02:29:59Z"));
    let service = Running::start(&host, clock);
    host.wait_for("start orders on time 2026-11-25T02:30:00Z", 1);
    let late = clock.now().duration_since(at("2026-11-25T02:30:00Z"));
    assert!(
        late >= SignedDuration::ZERO && late < SignedDuration::from_secs(10),
        "{late:?}"
    );
    host.wait_for("end orders exit status: 0", 1);
    assert_eq!(
        host.script().handled[&name("orders")],
        at("2026-11-25T02:30:00Z")
    );
    service.stop();
    assert_eq!(host.log()[..2], ["load", "settle"]);
    assert_eq!(host.count("start orders on time 2026-11-25T02:30:00Z"), 1);
}

#[test]
fn a_time_skipped_by_daylight_saving_runs_when_the_gap_ends() {
    // Europe/Lisbon, 2026-03-29: 01:00 becomes 02:00 at 01:00Z; cron(8), "will be run soon after the change".
    let folder = folder();
    let config = config(
        "Europe/Lisbon",
        vec![job("orders", "30 1 * * *", "shelf", &[])],
    );
    let host =
        ScriptedHost::new(folder.path(), config).with("orders", "true", "2026-03-28T01:30:00Z");
    let clock = ShiftedClock::starting_at(at("2026-03-29T00:59:59Z"));
    let service = Running::start(&host, clock);
    host.wait_for("start orders on time 2026-03-29T01:00:00Z", 1);
    service.stop();
}

#[test]
fn a_time_missed_while_off_is_caught_up_with_once() {
    let folder = folder();
    let config = config("UTC", vec![job("orders", "30 2 * * *", "shelf", &[])]);
    let host =
        ScriptedHost::new(folder.path(), config).with("orders", "true", "2026-11-20T02:30:00Z");
    let clock = ShiftedClock::starting_at(at("2026-11-25T09:00:00Z"));
    let mut service = Running::start(&host, clock);
    host.wait_for("end orders exit status: 0", 1);
    service.sender.reload().unwrap();
    host.wait_for("load", 2);
    service.stop();
    let starts: Vec<_> = host
        .log()
        .into_iter()
        .filter(|line| line.starts_with("start"))
        .collect();
    assert_eq!(starts, ["start orders catch-up 2026-11-25T02:30:00Z"]);
}

#[test]
fn jobs_on_one_drive_take_turns_while_another_drive_works() {
    let folder = folder();
    let jobs = vec![
        job("orders", "30 2 * * *", "shelf", &[]),
        job("studio-away", "30 2 * * *", "barn", &[]),
        job("studio-files", "30 2 * * *", "shelf", &[]),
    ];
    let host = ScriptedHost::new(folder.path(), config("UTC", jobs))
        .with("orders", "sleep 0.3", EVENING)
        .with("studio-away", "sleep 2", EVENING)
        .with("studio-files", "true", EVENING);
    let service = Running::start(&host, ShiftedClock::starting_at(at("2026-11-25T02:30:10Z")));
    host.wait_for("end studio-away exit status: 0", 1);
    service.stop();
    let log: Vec<_> = host
        .log()
        .into_iter()
        .filter(|line| line != "mail" && line != "load")
        .collect();
    assert_eq!(
        log,
        [
            "settle",
            "start orders on time 2026-11-25T02:30:00Z",
            "start studio-away on time 2026-11-25T02:30:00Z",
            "end orders exit status: 0",
            "start studio-files on time 2026-11-25T02:30:00Z",
            "end studio-files exit status: 0",
            "end studio-away exit status: 0",
        ]
    );
}

#[test]
fn a_failed_job_keeps_those_after_it_from_running() {
    let folder = folder();
    let jobs = vec![
        job("accounts", "30 2 * * *", "shelf", &[]),
        job("studio-away", "30 2 * * *", "barn", &["studio-files"]),
        job("studio-files", "30 2 * * *", "shelf", &["accounts"]),
    ];
    let host = ScriptedHost::new(folder.path(), config("UTC", jobs))
        .with("accounts", "false", EVENING)
        .with("studio-away", "true", EVENING)
        .with("studio-files", "true", EVENING);
    let well_yesterday = LastRun {
        started: at(EVENING),
        end: RunEnd::Well,
    };
    host.script()
        .last_runs
        .insert(name("studio-files"), well_yesterday);
    let service = Running::start(&host, ShiftedClock::starting_at(at("2026-11-25T02:30:10Z")));
    host.wait_for(
        "skip studio-files 2026-11-25T02:30:00Z Waiting: after `accounts`, which failed",
        1,
    );
    host.wait_for(
        "skip studio-away 2026-11-25T02:30:00Z Waiting: after `studio-files`, which did not end well \
         (waiting for another job)",
        1,
    );
    service.stop();
}

#[test]
fn a_run_that_cannot_be_started_is_recorded_as_failed_and_not_tried_in_a_circle() {
    let folder = folder();
    let config = config("UTC", vec![job("orders", "30 2 * * *", "shelf", &[])]);
    let host = ScriptedHost::new(folder.path(), config).with("orders", "true", EVENING);
    host.script().programs.clear();
    let service = Running::start(&host, ShiftedClock::starting_at(at("2026-11-25T02:30:10Z")));
    let entry = "skip orders 2026-11-25T02:30:00Z Failed: the run could not be started: no program";
    host.wait_for(entry, 1);
    service.stop();
    assert_eq!(host.count(entry), 1);
}

#[test]
fn stopping_the_service_stops_its_runs_and_waits_for_them() {
    let folder = folder();
    let config = config("UTC", vec![job("orders", "30 2 * * *", "shelf", &[])]);
    let host = ScriptedHost::new(folder.path(), config).with("orders", "sleep 600", EVENING);
    let service = Running::start(&host, ShiftedClock::starting_at(at("2026-11-25T02:30:10Z")));
    host.wait_for("start orders on time 2026-11-25T02:30:00Z", 1);
    let begun = Instant::now();
    service.stop();
    assert!(begun.elapsed() < Duration::from_secs(30));
    assert_eq!(host.count("end orders signal: 15 (SIGTERM)"), 1);
}

#[test]
fn changed_files_are_read_once_they_have_settled() {
    let folder = folder();
    let config = config("UTC", vec![job("orders", "30 2 * * *", "shelf", &[])]);
    let host =
        ScriptedHost::new(folder.path(), config).with("orders", "true", "2026-11-25T02:30:00Z");
    let service = Running::start(&host, ShiftedClock::starting_at(at("2026-11-25T12:00:00Z")));
    host.wait_for("load", 1);
    let file = folder.path().join("jobs/orders.toml");
    fs::write(
        folder.path().join("jobs/.orders.toml.swp"),
        "an editor at work",
    )
    .unwrap();
    thread::sleep(Duration::from_millis(1300));
    assert_eq!(host.count("load"), 1, "an editor's own file is no change");

    let begun = Instant::now();
    for _ in 0..4 {
        fs::write(&file, "kind = \"history\"").unwrap();
        thread::sleep(Duration::from_millis(100));
    }
    host.wait_for("load", 2);
    assert!(
        begun.elapsed() >= Duration::from_millis(1200),
        "{:?}",
        begun.elapsed()
    );
    thread::sleep(Duration::from_millis(1300));
    assert_eq!(host.count("load"), 2);

    // A folder that is replaced is watched again after the reload it causes.
    fs::remove_dir_all(folder.path().join("jobs")).unwrap();
    fs::create_dir(folder.path().join("jobs")).unwrap();
    host.wait_for("load", 3);
    fs::write(&file, "kind = \"mirror\"").unwrap();
    host.wait_for("load", 4);
    service.stop();
}

#[test]
fn wrong_files_leave_the_old_ones_in_force_and_alarm_once() {
    let folder = folder();
    let good = config("UTC", vec![job("orders", "30 2 * * *", "shelf", &[])]);
    let host = ScriptedHost::new(folder.path(), good.clone()).with("orders", "true", EVENING);
    let clock = SettableClock::starting_at("2026-11-24T12:00:00Z");
    let mut service = Running::start(&host, clock.clone());
    host.wait_for("load", 1);
    for (text, loads) in [("line 3", 2), ("line 3", 3), ("line 4", 4)] {
        host.script().config = Err(text.to_owned());
        service.sender.reload().unwrap();
        host.wait_for("load", loads);
    }
    host.wait_for("bad files: line 4", 1);
    assert_eq!(host.count("bad files: line 3"), 1);

    clock.set("2026-11-25T02:30:01Z");
    service.sender.reload().unwrap();
    host.wait_for("start orders on time 2026-11-25T02:30:00Z", 1);
    assert_eq!(host.count("bad files: line 4"), 1);

    // Mended and broken again in the same way is a new trouble.
    let loads = host.count("load");
    host.script().config = Ok(good);
    service.sender.reload().unwrap();
    host.wait_for("load", loads + 1);
    host.script().config = Err("line 4".to_owned());
    service.sender.reload().unwrap();
    host.wait_for("bad files: line 4", 2);
    service.stop();
}

#[test]
fn a_service_that_starts_with_wrong_files_takes_up_its_jobs_when_they_are_mended() {
    let folder = folder();
    let good = config("UTC", vec![job("orders", "30 2 * * *", "shelf", &[])]);
    let host = ScriptedHost::new(folder.path(), good.clone()).with("orders", "true", EVENING);
    host.script().config = Err("line 3".to_owned());
    let service = Running::start(&host, ShiftedClock::starting_at(at("2026-11-25T09:00:00Z")));
    host.wait_for("bad files: line 3", 1);
    host.script().config = Ok(good);
    fs::write(folder.path().join("server.toml"), "[server]").unwrap();
    host.wait_for("start orders catch-up 2026-11-25T02:30:00Z", 1);
    service.stop();
}

#[test]
fn a_clock_set_back_a_little_repeats_nothing_and_set_forward_catches_up() {
    let folder = folder();
    let config = config("UTC", vec![job("orders", "30 2 * * *", "shelf", &[])]);
    let host = ScriptedHost::new(folder.path(), config).with("orders", "true", EVENING);
    let clock = SettableClock::starting_at("2026-11-25T02:30:01Z");
    let mut service = Running::start(&host, clock.clone());
    host.wait_for("end orders exit status: 0", 1);
    let mut set = |time: &str| {
        clock.set(time);
        let loads = host.count("load");
        service.sender.reload().unwrap();
        host.wait_for("load", loads + 1);
    };
    set("2026-11-25T02:29:59Z");
    thread::sleep(Duration::from_millis(1500));
    set("2026-11-25T02:31:00Z");
    assert_eq!(host.count("start orders on time 2026-11-25T02:30:00Z"), 1);
    set("2026-11-27T08:00:00Z");
    host.wait_for("start orders catch-up 2026-11-27T02:30:00Z", 1);
    service.stop();
    let starts = host
        .log()
        .iter()
        .filter(|line| line.starts_with("start"))
        .count();
    assert_eq!(starts, 2);
}

#[test]
fn kept_mail_is_tried_again_at_its_time() {
    let folder = folder();
    let host = ScriptedHost::new(folder.path(), config("UTC", Vec::new()));
    host.script().next_mail = Some(at("2026-11-25T12:30:00Z"));
    let clock = SettableClock::starting_at("2026-11-25T12:00:00Z");
    let mut service = Running::start(&host, clock.clone());
    host.wait_for("mail", 1);
    service.sender.reload().unwrap();
    host.wait_for("load", 2);
    clock.set("2026-11-25T12:29:59Z");
    service.sender.reload().unwrap();
    host.wait_for("load", 3);
    assert_eq!(host.count("mail"), 1);
    host.wait_for("mail", 2);
    assert!(clock.now() >= at("2026-11-25T12:30:00Z"));
    service.stop();
}
