//! Logs, and their ends compared with GNU tail.

use std::io::Write;
use std::os::unix::fs::MetadataExt;
use std::process::Command;

use proptest::prelude::*;

use super::*;
use crate::record::samples::{at, name};

#[test]
fn a_log_is_added_to_and_readable_by_its_owner_only() {
    let state = tempfile::tempdir().expect("a scratch folder");
    let job = name("accounts");
    for line in ["one\n", "two\n"] {
        let mut log = open(state.path(), &job, "20261125T023000Z-accounts").expect("a log");
        log.write_all(line.as_bytes()).expect("written");
    }
    let path = path(state.path(), &job, "20261125T023000Z-accounts");
    assert_eq!(fs::read(&path).expect("the log"), b"one\ntwo\n");
    assert_eq!(fs::metadata(&path).expect("the log").mode() & 0o777, 0o600);
}

#[test]
fn logs_of_a_job_are_kept_for_a_year_and_up_to_200() {
    let state = tempfile::tempdir().expect("a scratch folder");
    let job = name("accounts");
    let now = at("2026-11-25T02:30:00Z");
    assert_eq!(prune(state.path(), &job, now).expect("no logs yet"), 0);
    for hours in 0..250 {
        let begun = GenerationName::at(now - jiff::SignedDuration::from_hours(hours));
        open(state.path(), &job, &format!("{begun}-accounts")).expect("a log");
    }
    open(state.path(), &name("orders"), "20200101T000000Z-orders").expect("another job's log");
    let notes = folder(state.path(), &job).join("notes.txt");
    fs::write(&notes, "not ours").expect("a file");
    assert_eq!(prune(state.path(), &job, now).expect("pruned"), 50);
    let count = fs::read_dir(folder(state.path(), &job))
        .expect("logs")
        .count();
    assert_eq!(count, 201);
    let later = at("2027-11-25T02:30:00Z");
    assert_eq!(prune(state.path(), &job, later).expect("pruned"), 199);
    assert!(notes.exists());
}

#[test]
fn a_very_long_line_is_cut_and_the_cut_is_shown() {
    let mut log = tempfile::NamedTempFile::new().expect("a scratch file");
    log.write_all(&vec![b'x'; 3 << 20]).expect("written");
    let lines = tail(log.path(), 5).expect("an end");
    assert_eq!(lines.len(), 1);
    assert!(lines[0].starts_with("…xxx"));
    assert_eq!(lines[0].len(), (1 << 20) + "…".len());
}

fn gnu_tail(path: &Path, lines: usize) -> Vec<String> {
    let output = Command::new("tail")
        .arg(format!("--lines={lines}"))
        .arg(path)
        .output()
        .expect("tail, of coreutils");
    assert!(output.status.success(), "{output:?}");
    if output.stdout.is_empty() {
        return Vec::new();
    }
    let text = output.stdout.strip_suffix(b"\n").unwrap_or(&output.stdout);
    let lines = text.split(|byte| *byte == b'\n');
    lines
        .map(|line| String::from_utf8_lossy(line).into_owned())
        .collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn the_end_of_a_log_is_what_gnu_tail_shows(
        lines in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..9000), 0..40),
        ended in any::<bool>(),
        count in 0_usize..45,
    ) {
        let mut text = lines.join(&b'\n');
        if ended {
            text.push(b'\n');
        }
        let mut log = tempfile::NamedTempFile::new().expect("a scratch file");
        log.write_all(&text).expect("written");
        prop_assert_eq!(tail(log.path(), count).expect("an end"), gnu_tail(log.path(), count));
    }
}
