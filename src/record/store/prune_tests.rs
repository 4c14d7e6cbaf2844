//! What is forgotten in time, and what never is.

use jiff::SignedDuration;

use super::tests::{ids, studio};
use super::*;
use crate::record::samples::{at, ended, generation, name, run};
use crate::record::{Generation, Outcome, State};

#[test]
fn pruning_keeps_three_years_and_the_last_good_run() {
    let (_folder, store) = studio();
    let now = at("2026-11-25T02:30:00Z");
    for (id, time, outcome) in [
        ("older-good", "2020-01-01T00:00:00Z", Outcome::Well),
        ("last-good", "2020-01-02T00:00:00Z", Outcome::Well),
        ("long-failed", "2020-01-03T00:00:00Z", Outcome::Failed),
        ("just-too-old", "2023-11-25T02:29:59Z", Outcome::Failed),
        ("just-young", "2023-11-25T02:30:00Z", Outcome::Failed),
        ("latest", "2026-11-25T02:30:00Z", Outcome::Failed),
    ] {
        store
            .finish_run(&ended(run(id, "accounts", at(time)), outcome))
            .expect("finished");
    }
    store
        .begin_run(&run("never-ended", "accounts", at("2019-01-01T00:00:00Z")))
        .expect("begun");
    assert_eq!(store.prune(now).expect("pruned").runs, 3);
    let left = store.runs(&RunFilter::default()).expect("a list");
    assert_eq!(
        ids(&left),
        ["latest", "just-young", "last-good", "never-ended"]
    );
    assert_eq!(store.prune(now).expect("pruned"), Pruned::default());
}

#[test]
fn pruning_forgets_what_the_catalogue_no_longer_lists() {
    let (_folder, store) = studio();
    let (shelf, kiln, job) = (name("shelf"), name("kiln"), name("studio-files"));
    let old = generation("20240101T023000Z");
    let retired = Generation {
        state: State::Retired,
        ..generation("20240102T023000Z")
    };
    let new = generation("20261125T023000Z");
    store
        .put_generations(&shelf, &[old.clone(), retired, new.clone()])
        .expect("put");
    assert_eq!(
        store
            .prune(at("2026-11-25T02:30:00Z"))
            .expect("pruned")
            .generations,
        1
    );
    let all = store
        .generations_and_retired(&shelf, &kiln, &job)
        .expect("a list");
    assert_eq!(all, [new, old]);
}

#[test]
fn a_job_with_very_many_runs_keeps_the_newest_2000() {
    let (_folder, store) = studio();
    let first = at("2026-11-01T00:00:00Z");
    store
        .write("fill", |db| {
            let sql = "INSERT INTO runs (id, server, job, started, ended, outcome, record)
                VALUES (?1, 'kiln', 'accounts', ?2, ?2, 'failed', '{}')";
            let mut insert = db.prepare(sql)?;
            for number in 0..2100_i64 {
                let started = first + SignedDuration::from_mins(number);
                insert.execute(rusqlite::params![number.to_string(), micros(started)])?;
            }
            Ok(())
        })
        .expect("filled");
    assert_eq!(
        store
            .prune(at("2026-11-25T02:30:00Z"))
            .expect("pruned")
            .runs,
        100
    );
    let oldest = "SELECT id FROM runs ORDER BY started LIMIT 1";
    let oldest: String = store
        .connection
        .query_row(oldest, [], |row| row.get(0))
        .expect("a row");
    assert_eq!(oldest, "100");
}
