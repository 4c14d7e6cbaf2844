//! Damaged, foreign and newer databases.

use std::fs::{self, File};
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

use rusqlite::Connection;

use super::*;
use crate::record::samples::{at, name, run};

/// A closed store that holds `runs` runs.
fn filled(runs: u32) -> tempfile::TempDir {
    let folder = tempfile::tempdir().expect("a scratch folder");
    let (store, _) = Store::open(folder.path()).expect("a new store");
    for number in 0..runs {
        let mut record = run(&number.to_string(), "accounts", at("2026-11-25T02:30:00Z"));
        record.log_tail = vec!["a line of the log, as long as they are".to_owned(); 200];
        store.begin_run(&record).expect("begun");
    }
    folder
}

fn database(folder: &Path) -> PathBuf {
    folder.join("hayloft.db")
}

fn set_aside(folder: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(folder).expect("the folder");
    let mut paths: Vec<PathBuf> = entries
        .map(|entry| entry.expect("an entry").path())
        .collect();
    paths.retain(|path| path.display().to_string().contains("hayloft.db.damaged-"));
    paths.sort();
    paths
}

/// Open, and expect that the damaged file was set aside unchanged, said, and replaced by an empty one.
#[track_caller]
fn expect_set_aside(folder: &Path) {
    let damaged = fs::read(database(folder)).expect("the damaged file");
    let (store, notes) = Store::open(folder).expect("a new store");
    let aside = set_aside(folder);
    assert_eq!(fs::read(&aside[0]).expect("the damaged file"), damaged);
    let aside = aside[0].display().to_string();
    assert_eq!(notes.len(), 1, "{notes:?}");
    assert!(notes[0].contains(&aside), "{notes:?}");
    assert!(notes[0].contains("hayloft check --rebuild"), "{notes:?}");
    let alarm = store
        .alarm(Store::DAMAGED_ALARM)
        .expect("a look")
        .expect("an alarm");
    assert_eq!(alarm.words, notes[0]);
    assert_eq!(store.runs(&RunFilter::default()).expect("a list"), []);
    drop(store);
    let (_, notes) = Store::open(folder).expect("the new store");
    assert_eq!(notes, Vec::<String>::new(), "it is said once");
}

#[test]
fn a_file_cut_short_anywhere_is_set_aside() {
    for keep in [0, 1, 50, 100, 4096, 5000, 8192, 40_000] {
        let folder = filled(10);
        let file = File::options()
            .write(true)
            .open(database(folder.path()))
            .expect("the file");
        assert!(file.metadata().expect("a file").len() > keep);
        file.set_len(keep).expect("cut");
        expect_set_aside(folder.path());
    }
}

#[test]
fn a_file_of_zeros_is_set_aside() {
    let folder = filled(10);
    let length = fs::metadata(database(folder.path())).expect("a file").len();
    let zeros = vec![0; usize::try_from(length).expect("small")];
    fs::write(database(folder.path()), zeros).expect("zeros");
    expect_set_aside(folder.path());
}

#[test]
fn a_file_of_garbage_is_set_aside() {
    let folder = filled(1);
    let garbage = b"glaze recipes ".repeat(5000);
    fs::write(database(folder.path()), garbage).expect("garbage");
    expect_set_aside(folder.path());
}

#[test]
fn zeros_in_any_single_page_of_a_small_file_are_noticed() {
    let pages = fs::metadata(database(filled(4).path()))
        .expect("a file")
        .len()
        / 4096;
    for page in 0..pages {
        let folder = filled(4);
        let file = File::options()
            .write(true)
            .open(database(folder.path()))
            .expect("the file");
        file.write_all_at(&[0; 4096], page * 4096).expect("zeros");
        drop(file);
        expect_set_aside(folder.path());
    }
}

#[test]
fn damage_met_while_reading_a_large_file_has_it_set_aside_at_the_next_opening() {
    let folder = filled(200);
    let length = fs::metadata(database(folder.path())).expect("a file").len();
    assert!(
        length > 1 << 20,
        "larger than what is checked every time: {length}"
    );
    let file = File::options()
        .write(true)
        .open(database(folder.path()))
        .expect("the file");
    // From the second half on: a write that never reached the disk.
    file.write_all_at(
        &vec![0; usize::try_from(length / 2).expect("small")],
        length / 2,
    )
    .expect("zeros");
    drop(file);
    let (store, notes) = Store::open(folder.path()).expect("the damage is not seen yet");
    assert_eq!(notes, Vec::<String>::new());
    let error = store.runs(&RunFilter::default()).expect_err("it is now");
    assert!(error.to_string().contains("hayloft check"), "{error}");
    drop(store);
    expect_set_aside(folder.path());
}

#[test]
fn a_large_file_is_checked_as_a_whole_once_after_each_start_of_the_server() {
    let folder = filled(200);
    let length = fs::metadata(database(folder.path())).expect("a file").len();
    let file = File::options()
        .write(true)
        .open(database(folder.path()))
        .expect("the file");
    file.write_all_at(&vec![0; 65536], (length / 2) & !4095)
        .expect("zeros");
    drop(file);
    let other_boot = "00000000-0000-0000-0000-000000000000\n";
    fs::write(folder.path().join("hayloft.db.checked"), other_boot).expect("an earlier start");
    expect_set_aside(folder.path());
}

#[test]
fn two_damaged_files_within_a_second_are_both_kept() {
    let folder = filled(1);
    for _ in 0..3 {
        fs::write(database(folder.path()), "garbage").expect("garbage");
        Store::open_at(folder.path(), at("2026-11-25T02:30:00Z")).expect("a new store");
    }
    let garbage = set_aside(folder.path());
    let name = |path: &PathBuf| {
        path.file_name()
            .map(|name| name.to_string_lossy().into_owned())
    };
    assert_eq!(
        name(&garbage[0]).as_deref(),
        Some("hayloft.db.damaged-20261125T023000Z")
    );
    let garbage = garbage
        .iter()
        .filter(|path| fs::read(path).is_ok_and(|text| text == b"garbage"));
    assert_eq!(garbage.count(), 3);
}

#[test]
fn a_missing_database_is_said_and_its_write_ahead_log_is_not_replayed() {
    let folder = filled(1);
    fs::remove_file(database(folder.path())).expect("removed");
    fs::write(
        folder.path().join("hayloft.db-wal"),
        "what was not copied back yet",
    )
    .expect("a log");
    let (_, notes) = Store::open(folder.path()).expect("a new store");
    assert!(
        notes[0].contains("was missing though hayloft has run here before"),
        "{notes:?}"
    );
    let aside = set_aside(folder.path());
    assert_eq!(
        fs::read(&aside[0]).expect("the log"),
        b"what was not copied back yet"
    );
}

#[test]
fn a_newer_database_is_refused_and_left_as_it_is() {
    let folder = filled(2);
    let newer = Connection::open(database(folder.path())).expect("the file");
    newer
        .pragma_update(None, "user_version", 99)
        .expect("a newer layout");
    drop(newer);
    let before = fs::read(database(folder.path())).expect("the file");
    let error = Store::open(folder.path()).expect_err("too new");
    assert!(
        matches!(error, StoreError::Newer { found: 99, .. }),
        "{error}"
    );
    assert!(error.to_string().contains("newer hayloft"));
    assert_eq!(fs::read(database(folder.path())).expect("the file"), before);
    assert_eq!(set_aside(folder.path()), Vec::<PathBuf>::new());
}

#[test]
fn a_database_of_another_program_is_refused_and_left_as_it_is() {
    let folder = tempfile::tempdir().expect("a scratch folder");
    let orders = Connection::open(database(folder.path())).expect("a database");
    orders
        .execute_batch("CREATE TABLE orders (jar TEXT)")
        .expect("a table");
    drop(orders);
    let error = Store::open(folder.path()).expect_err("not ours");
    assert!(matches!(error, StoreError::NotOurs { .. }), "{error}");
    let orders = Connection::open(database(folder.path())).expect("a database");
    orders
        .execute("INSERT INTO orders VALUES ('tall')", [])
        .expect("still theirs");
}

#[test]
fn a_store_that_was_set_aside_while_open_refuses_to_write_into_the_old_file() {
    let folder = filled(1);
    let (store, _) = Store::open(folder.path()).expect("opened");
    fs::rename(database(folder.path()), folder.path().join("elsewhere")).expect("moved");
    let error = store.set_handled(&name("accounts"), at("2026-11-25T02:30:00Z"));
    assert!(
        matches!(error, Err(StoreError::Replaced { .. })),
        "{error:?}"
    );
}

#[test]
fn what_was_written_before_the_process_was_killed_is_there_afterwards() {
    let folder = filled(0);
    let (store, _) = Store::open(folder.path()).expect("opened");
    store
        .begin_run(&run("a", "accounts", at("2026-11-25T02:30:00Z")))
        .expect("begun");
    // As after a kill: the files as they are now, the write-ahead log not yet copied back.
    let copy = tempfile::tempdir().expect("a scratch folder");
    for file in ["hayloft.db", "hayloft.db-wal"] {
        fs::copy(folder.path().join(file), copy.path().join(file)).expect("copied");
    }
    drop(store);
    let (store, notes) = Store::open(copy.path()).expect("opened");
    assert_eq!(notes, Vec::<String>::new());
    assert_eq!(store.unfinished_runs().expect("a list").len(), 1);
}
