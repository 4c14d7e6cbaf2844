//! What the database gives back of what was put in.

use std::fs;
use std::os::unix::fs::MetadataExt;

use jiff::SignedDuration;

use super::*;
use crate::jobs::Name;
use crate::record::samples::{at, ended, generation, name, night, run};
use crate::record::{Generation, Outcome, RunRecord, State};

pub(super) fn studio() -> (tempfile::TempDir, Store) {
    let folder = tempfile::tempdir().expect("a scratch folder");
    let (store, notes) = Store::open(&folder.path().join("state")).expect("a new store");
    assert_eq!(notes, Vec::<String>::new());
    (folder, store)
}

pub(super) fn ids(runs: &[RunRecord]) -> Vec<&str> {
    runs.iter().map(|run| run.id.as_str()).collect()
}

#[test]
fn a_run_is_begun_updated_and_finished() {
    let (_folder, store) = studio();
    let mut record = run("a", "studio-files", at("2026-11-25T02:30:00Z"));
    store.begin_run(&record).expect("begun");
    assert_eq!(store.unfinished_runs().expect("a list"), [record.clone()]);
    record
        .notes
        .push("2 files vanished while being read".to_owned());
    store.update_run(&record).expect("updated");
    assert!(matches!(
        store.finish_run(&record),
        Err(StoreError::NotEnded { .. })
    ));
    let record = ended(record, Outcome::WellWithNotes);
    store.finish_run(&record).expect("finished");
    assert_eq!(store.run("a").expect("a look"), Some(record));
    assert_eq!(store.unfinished_runs().expect("a list"), []);
    assert_eq!(store.run("b").expect("a look"), None);
}

#[test]
fn a_run_id_is_used_once() {
    let (_folder, store) = studio();
    let now = at("2026-11-25T02:30:00.7Z");
    for expected in ["", "-2", "-3"] {
        let id = store.new_run_id(&name("studio-files"), now).expect("an id");
        assert_eq!(id, format!("20261125T023000Z-studio-files{expected}"));
        store
            .begin_run(&run(&id, "studio-files", now))
            .expect("begun");
        let again = store.begin_run(&run(&id, "studio-files", now));
        assert!(matches!(again, Err(StoreError::RunExists { .. })));
    }
}

#[test]
fn runs_are_listed_newest_first_and_by_filter() {
    let (_folder, store) = studio();
    let first = at("2026-11-20T02:30:00Z");
    for day in 0..5_i64 {
        let started = first + SignedDuration::from_hours(24 * day);
        let job = if day == 2 { "accounts" } else { "studio-files" };
        let outcome = if day == 4 {
            Outcome::DriveFull
        } else {
            Outcome::Well
        };
        let record = ended(run(&format!("day-{day}"), job, started), outcome);
        store.finish_run(&record).expect("finished");
    }
    let list = |filter: RunFilter| store.runs(&filter).expect("a list");
    let all = list(RunFilter::default());
    assert_eq!(ids(&all), ["day-4", "day-3", "day-2", "day-1", "day-0"]);
    let job = Some(name("studio-files"));
    let filter = RunFilter {
        job: job.clone(),
        limit: Some(2),
        ..RunFilter::default()
    };
    assert_eq!(ids(&list(filter)), ["day-4", "day-3"]);
    let filter = RunFilter {
        since: Some(first + SignedDuration::from_hours(24)),
        before: Some(first + SignedDuration::from_hours(72)),
        ..RunFilter::default()
    };
    assert_eq!(ids(&list(filter)), ["day-2", "day-1"]);
    let latest = |run: Option<RunRecord>| run.map(|run| run.id);
    let job = name("studio-files");
    assert_eq!(
        latest(store.latest_run(&job).expect("a look")).as_deref(),
        Some("day-4")
    );
    assert_eq!(
        latest(store.latest_good_run(&job).expect("a look")).as_deref(),
        Some("day-3")
    );
    assert_eq!(store.latest_run(&name("orders")).expect("a look"), None);
}

#[test]
fn every_outcome_that_is_well_counts_as_a_good_run_and_no_other() {
    use serde::Deserialize;
    use serde::de::value::{Error, StrDeserializer};
    let words = "well well-with-notes failed timed-out stopped cut-short source-missing guarded \
        drive-absent drive-unmounted drive-wrong drive-read-only drive-full drive-lost \
        host-unreachable host-refused busy waiting missed not-built";
    for word in words.split_ascii_whitespace() {
        let (_folder, store) = studio();
        let outcome =
            Outcome::deserialize(StrDeserializer::<Error>::new(word)).expect("an outcome");
        let record = ended(run("a", "accounts", at("2026-11-25T02:30:00Z")), outcome);
        store.finish_run(&record).expect("finished");
        let good = store.latest_good_run(&name("accounts")).expect("a look");
        assert_eq!(good.is_some(), outcome.is_well(), "{word}");
    }
}

#[test]
fn generations_are_kept_apart_by_drive_server_and_job() {
    let (_folder, store) = studio();
    let (shelf, barn, kiln) = (name("shelf"), name("barn"), name("kiln"));
    let old = generation("20261124T023000Z");
    let new = generation("20261125T023000Z");
    let other = Generation {
        job: name("accounts"),
        ..old.clone()
    };
    store
        .put_generations(&shelf, &[old.clone(), new.clone(), other])
        .expect("put");
    store.put_generation(&barn, &old).expect("put");
    let job = name("studio-files");
    let on = |drive: &Name| store.generations(drive, &kiln, &job).expect("a list");
    assert_eq!(on(&shelf), [new.clone(), old.clone()]);
    assert_eq!(on(&barn), std::slice::from_ref(&old));
    let retire = || store.mark_retired(&shelf, &kiln, &job, &[old.name, night("19990101T000000Z")]);
    assert_eq!(retire().expect("retired"), 1);
    assert_eq!(retire().expect("nothing more"), 0);
    assert_eq!(on(&shelf), std::slice::from_ref(&new));
    assert_eq!(on(&barn), std::slice::from_ref(&old));
    let all = store
        .generations_and_retired(&shelf, &kiln, &job)
        .expect("a list");
    let retired = Generation {
        state: State::Retired,
        ..old.clone()
    };
    assert_eq!(all, [new, retired]);
    assert_eq!(
        store
            .forget_generations(&barn, &kiln, &job, &[old.name])
            .expect("gone"),
        1
    );
    assert_eq!(on(&barn), []);
}

#[test]
fn the_last_handled_time_is_kept_to_the_nanosecond() {
    let (_folder, store) = studio();
    let job = name("accounts");
    assert_eq!(store.handled(&job).expect("a look"), None);
    for time in ["2026-11-25T02:30:00Z", "2026-11-25T02:30:00.123456789Z"] {
        store.set_handled(&job, at(time)).expect("set");
        assert_eq!(store.handled(&job).expect("a look"), Some(at(time)));
    }
}

#[test]
fn an_alarm_is_new_once_and_keeps_its_beginning() {
    let (_folder, store) = studio();
    let (first, later) = (at("2026-11-25T02:30:00Z"), at("2026-11-26T02:30:00Z"));
    let raise = |words, now| {
        store
            .raise_alarm("silent/ines-laptop", words, now)
            .expect("raised")
    };
    assert_eq!(raise("nothing landed for 3 days", first), AlarmChange::New);
    assert_eq!(raise("nothing landed for 4 days", later), AlarmChange::Same);
    store.told_alarm("silent/ines-laptop", later).expect("told");
    let expected = Alarm {
        key: "silent/ines-laptop".to_owned(),
        since: first,
        words: "nothing landed for 4 days".to_owned(),
        last_told: Some(later),
    };
    assert_eq!(store.alarms().expect("a list"), [expected]);
    assert!(store.clear_alarm("silent/ines-laptop").expect("cleared"));
    assert!(
        !store
            .clear_alarm("silent/ines-laptop")
            .expect("nothing to clear")
    );
    assert_eq!(raise("nothing landed for 3 days", later), AlarmChange::New);
}

#[test]
fn only_the_owner_may_read_the_record() {
    let (folder, store) = studio();
    store
        .set_handled(&name("accounts"), at("2026-11-25T02:30:00Z"))
        .expect("set");
    let state = folder.path().join("state");
    assert_eq!(
        fs::metadata(&state).expect("the folder").mode() & 0o777,
        0o700
    );
    for entry in fs::read_dir(&state).expect("the folder") {
        let entry = entry.expect("an entry");
        let mode = entry.metadata().expect("a file").mode() & 0o777;
        assert_eq!(mode, 0o600, "{}", entry.path().display());
    }
    assert!(
        state.join("hayloft.db-wal").exists(),
        "the write-ahead log was looked at too"
    );
}

#[test]
fn what_was_written_is_flushed_to_disk_before_the_call_returns() {
    let (_folder, store) = studio();
    let pragma = |name| {
        let value = |row: &rusqlite::Row<'_>| row.get::<_, rusqlite::types::Value>(0);
        store
            .connection
            .pragma_query_value(None, name, value)
            .expect("a value")
    };
    assert_eq!(pragma("journal_mode"), "wal".to_owned().into());
    // 2 is FULL (sqlite.org, "PRAGMA synchronous").
    assert_eq!(pragma("synchronous"), 2_i64.into());
}

#[test]
fn two_processes_write_at_once_and_lose_nothing() {
    let (folder, store) = studio();
    drop(store);
    let state = folder.path().join("state");
    let state = &state;
    std::thread::scope(|scope| {
        for writer in 0..4 {
            scope.spawn(move || {
                let (store, _) = Store::open(state).expect("opened");
                for number in 0..25 {
                    let id = format!("{writer}-{number}");
                    store
                        .begin_run(&run(&id, "accounts", at("2026-11-25T02:30:00Z")))
                        .expect("begun");
                }
            });
        }
    });
    let (store, _) = Store::open(state).expect("opened");
    assert_eq!(
        store.runs(&RunFilter::default()).expect("a list").len(),
        100
    );
}
