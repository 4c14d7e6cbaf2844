//! Tests of the size of parts and of the age of the last reading.

use super::*;
use crate::jobs::{KindName, Span};
use crate::record::samples;
use crate::schedule::Crontab;

fn at(text: &str) -> Timestamp {
    text.parse().unwrap()
}

fn name(text: &str) -> Name {
    Name::parse(text).unwrap()
}

fn weekly(within: &str) -> Reread {
    Reread {
        within: Span::parse(within).unwrap(),
        schedule: Crontab::parse("0 4 * * SUN").unwrap(),
        rate: None,
    }
}

fn copy(job: &str, day: u32, bytes: u64, new_bytes: u64, state: State) -> Generation {
    let instant = at(&format!("2026-11-{day:02}T02:30:00Z"));
    let mut copy = samples::generation(&GenerationName::at(instant).to_string());
    copy.job = name(job);
    copy.kind = KindName::History;
    copy.form = Form::Tree;
    copy.bytes = bytes;
    copy.new_bytes = new_bytes;
    copy.state = state;
    copy
}

fn place(job: &str, day: u32, path: Option<&str>) -> Place {
    Place {
        job: name(job),
        generation: copy(job, day, 0, 0, State::Whole).name,
        path: path.map(Into::into),
    }
}

#[test]
fn thirteen_equal_parts_in_three_months_of_sundays_and_the_last_has_no_end() {
    let reread = weekly("3 months");
    let zone = TimeZone::get("Europe/Lisbon").unwrap();
    let mut now = at("2026-11-29T04:00:00Z");
    let round = Round::begun(now);
    let (mut left, mut parts) = (1_300_000_u64, Vec::new());
    loop {
        let budget = next_budget(&reread, &zone, &round, left, now);
        parts.push(budget.unwrap_or(left));
        if budget.is_none() {
            break;
        }
        left -= budget.unwrap();
        now = reread.schedule.next_after(&zone, now).unwrap();
    }
    assert_eq!(parts, vec![100_000; 13]);
    // the next round begins a week later, so that no byte waits longer than the three months
    let next = reread.schedule.next_after(&zone, now).unwrap();
    assert!(next <= due(&reread, &round));
}

#[test]
fn after_weeks_without_a_time_the_parts_are_bigger_and_a_late_round_is_read_to_its_end() {
    let reread = weekly("4 weeks");
    let round = Round::begun(at("2026-11-01T04:00:00Z"));
    let budget = |left, now| next_budget(&reread, &TimeZone::UTC, &round, left, at(now));
    assert_eq!(budget(4000, "2026-11-01T04:00:00Z"), Some(1000));
    assert_eq!(budget(3000, "2026-11-15T04:00:00Z"), Some(1500));
    assert_eq!(budget(1500, "2026-11-22T04:00:00Z"), None);
    assert_eq!(budget(1500, "2026-12-25T04:00:00Z"), None);
}

#[test]
fn what_is_left_counts_new_bytes_of_later_copies_and_of_those_retired_between() {
    let jobs = [JobCopies {
        job: name("studio-files"),
        known: vec![
            copy("studio-files", 1, 900, 900, State::Retired),
            copy("studio-files", 2, 1000, 150, State::Whole),
            copy("studio-files", 3, 1000, 60, State::Retired),
            copy("studio-files", 4, 1000, 40, State::Whole),
            copy("studio-files", 20, 5000, 4000, State::Whole),
        ],
    }];
    let mut round = Round::begun(at("2026-11-05T04:00:00Z"));
    assert_eq!(left_bytes(&jobs, &round), 1000 + 100);
    round.place = Some(place("studio-files", 2, Some("srv/studio/b")));
    (round.in_copy, round.bytes) = (300, 300);
    assert_eq!(left_bytes(&jobs, &round), 700 + 100);
    round.place = Some(place("studio-files", 2, None));
    round.in_copy = 0;
    assert_eq!(left_bytes(&jobs, &round), 100);
    round.place = Some(place("studio-files", 4, None));
    assert_eq!(left_bytes(&jobs, &round), 0);
}

#[test]
fn the_standing_tells_what_was_never_read_and_how_old_the_oldest_reading_is() {
    let reread = weekly("4 weeks");
    let mut jobs = [JobCopies {
        job: name("studio-files"),
        known: vec![
            copy("studio-files", 2, 600, 600, State::Whole),
            copy("studio-files", 4, 700, 200, State::Whole),
        ],
    }];
    assert_eq!(standing(&reread, &[], &jobs), None);
    let mut first = Round::begun(at("2026-11-08T04:00:00Z"));
    first.place = Some(place("studio-files", 2, None));
    (first.files, first.bytes) = (3, 600);
    let seen = standing(&reread, &[first.clone()], &jobs).unwrap();
    assert!(
        (seen.done - 0.75).abs() < 1e-9 && (seen.never - 0.25).abs() < 1e-9,
        "{seen:?}"
    );
    assert!(seen.is_late(at("2026-12-07T00:00:00Z")) && !seen.is_late(at("2026-12-06T00:00:00Z")));
    let mark = |day: u32, at_text: &str| Mark {
        at: at(at_text),
        job: name("studio-files"),
        generation: copy("studio-files", day, 0, 0, State::Whole).name,
    };
    first.marks = vec![
        mark(2, "2026-11-08T04:00:00Z"),
        mark(4, "2026-11-15T04:00:00Z"),
    ];
    first.finished = Some(at("2026-11-15T05:00:00Z"));
    let seen = standing(&reread, &[first.clone()], &jobs).unwrap();
    assert_eq!((seen.never, seen.since), (0.0, Some(first.started)));
    // a copy that came since was never read; the second round has gone beyond the first copy
    jobs[0]
        .known
        .push(copy("studio-files", 20, 900, 200, State::Whole));
    let mut second = Round::begun(at("2026-11-22T04:00:00Z"));
    second.place = Some(place("studio-files", 2, None));
    let seen = standing(&reread, &[second, first], &jobs).unwrap();
    assert!((seen.never - 0.2).abs() < 1e-9, "{seen:?}");
    assert_eq!(seen.since, Some(at("2026-11-15T04:00:00Z")));
}
