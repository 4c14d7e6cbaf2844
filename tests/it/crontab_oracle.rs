//! The times of crontab lines, against crate `croner` and against a minute-by-minute reading of cron(8).
//!
//! Where `croner` 4.0 differs from Debian cron(8) and crontab(5), found out by reading and running it:
//! - it takes a line for one of stated times only when minute and hour are one number each. Lists and
//!   ranges such as `0,30 2 * * *` are dropped in a gap and repeated with the repeated hour, where cron(8)
//!   asks only for a `*`. Around changes of the clock such lines are compared with the simulation alone.
//! - a stepped star (`*/2`) in a day field counts as restricted, so that either day field is enough. Debian
//!   cron looks only whether the field begins with `*`. Such lines are given to it with `dom_and_dow`.
//!
//! Lines with `*` in minute or hour, and lines of one number each, are compared everywhere: there the
//! two agree, in the gap and in the repeated time.

use std::sync::LazyLock;

use chrono::{DateTime, Utc};
use croner::parser::CronParser;
use hayloft::schedule::Crontab;
use jiff::{SignedDuration, Timestamp, civil::DateTime as Civil, tz::TimeZone};
use proptest::prelude::*;

use crate::crontab_lines::{Line, line};

/// Changes of the clock in 2026, worked out with Python's zoneinfo on tzdata.
const CHANGES: [(&str, &str, i32, i32); 10] = [
    ("Europe/Lisbon", "2026-03-29T01:00:00Z", 0, 60),
    ("Europe/Lisbon", "2026-10-25T01:00:00Z", 60, 0),
    ("America/New_York", "2026-03-08T07:00:00Z", -300, -240),
    ("America/New_York", "2026-11-01T06:00:00Z", -240, -300),
    ("Australia/Lord_Howe", "2026-04-04T15:00:00Z", 660, 630),
    ("Australia/Lord_Howe", "2026-10-03T15:30:00Z", 630, 660),
    ("America/Santiago", "2026-04-05T03:00:00Z", -180, -240),
    ("America/Santiago", "2026-09-06T04:00:00Z", -240, -180),
    ("Pacific/Auckland", "2026-04-04T14:00:00Z", 780, 720),
    ("Pacific/Auckland", "2026-09-26T14:00:00Z", 720, 780),
];

/// Minutes looked at on either side of a change.
const AROUND: i64 = 9 * 60;

struct Change {
    zone_name: &'static str,
    zone: TimeZone,
    at: Timestamp,
    /// Every minute of the window and what the wall shows, from the offsets of the table above.
    minutes: Vec<(Timestamp, Civil)>,
}

static WINDOWS: LazyLock<Vec<Change>> = LazyLock::new(|| {
    CHANGES
        .iter()
        .map(|&(zone_name, at, before, after)| {
            let at: Timestamp = at.parse().unwrap();
            let minutes = (-AROUND..=AROUND)
                .map(|minute| {
                    let time = at + SignedDuration::from_mins(minute);
                    let offset = if minute < 0 { before } else { after };
                    let shifted = time + SignedDuration::from_mins(offset.into());
                    (time, TimeZone::UTC.to_datetime(shifted))
                })
                .collect();
            Change {
                zone_name,
                zone: TimeZone::get(zone_name).unwrap(),
                at,
                minutes,
            }
        })
        .collect()
});

/// crontab(5): "If both fields are restricted (ie, aren't *), the command will be run when either field
/// matches the current time."
fn names(line: &Line, wall: Civil) -> bool {
    let has = |numbers: &[u32], value: i8| numbers.contains(&u32::try_from(value).unwrap());
    let day = has(&line.day.numbers, wall.day());
    let sunday = wall.weekday().to_sunday_zero_offset();
    let weekday =
        has(&line.weekday.numbers, sunday) || sunday == 0 && has(&line.weekday.numbers, 7);
    let either = !line.day.begins_with_star() && !line.weekday.begins_with_star();
    has(&line.minute.numbers, wall.minute())
        && has(&line.hour.numbers, wall.hour())
        && has(&line.month.numbers, wall.month())
        && if either {
            day || weekday
        } else {
            day && weekday
        }
}

/// A daemon that wakes every minute and follows the words of cron(8).
fn simulated(line: &Line, minutes: &[(Timestamp, Civil)]) -> Vec<Timestamp> {
    let minute = SignedDuration::from_mins(1);
    let mut runs = Vec::new();
    let mut latest_shown = minutes[0].1;
    for pair in minutes.windows(2) {
        let ((_, before), (now, wall)) = (pair[0], pair[1]);
        let due = if line.has_stated_times() {
            // "If the time has moved forwards, those jobs which would have run in the time that was skipped
            // will be run soon after the change."
            let skipped = std::iter::successors(Some(before + minute), |&wall| Some(wall + minute))
                .take_while(|&skipped| skipped < wall)
                .any(|skipped| names(line, skipped));
            // "Conversely, if the time has moved backwards by less than 3 hours, those jobs that fall into
            // the repeated time will not be re-run."
            let repeated = wall <= latest_shown;
            skipped || names(line, wall) && !repeated
        } else {
            // "Jobs which are specified with wildcards are run based on the new time immediately."
            names(line, wall)
        };
        latest_shown = latest_shown.max(wall);
        if due {
            runs.push(now);
        }
    }
    runs
}

fn ours(crontab: &Crontab, zone: &TimeZone, after: Timestamp, until: Timestamp) -> Vec<Timestamp> {
    std::iter::successors(crontab.next_after(zone, after), |&time| {
        crontab.next_after(zone, time)
    })
    .take_while(|&time| time <= until)
    .collect()
}

fn croners<Z: chrono::TimeZone>(
    line: &Line,
    zone: &Z,
    after: Timestamp,
    until: Timestamp,
) -> Vec<Timestamp> {
    let star = line.day.begins_with_star() || line.weekday.begins_with_star();
    let cron = CronParser::builder()
        .dom_and_dow(star)
        .build()
        .parse(&line.text())
        .unwrap();
    let mut after: DateTime<Z> = DateTime::<Utc>::from_timestamp(after.as_second(), 0)
        .unwrap()
        .with_timezone(zone);
    let mut times = Vec::new();
    while let Ok(next) = cron.find_next_occurrence(&after, false) {
        let time = Timestamp::from_second(next.timestamp()).unwrap();
        if time > until {
            break;
        }
        times.push(time);
        after = next;
    }
    times
}

/// Whether `croner` takes the line for the same sort as cron(8): see the head of this file.
fn same_sort(line: &Line) -> bool {
    let one = |text: &str| text.bytes().all(|b| b.is_ascii_digit());
    !line.has_stated_times() || one(&line.minute.text) && one(&line.hour.text)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 1000, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn around_every_change_of_the_clock_lines_run_as_cron_8_says(line in line()) {
        let Ok(crontab) = Crontab::parse(&line.text()) else {
            // The generator also makes days that no month has.
            prop_assert!(line.day.numbers.iter().all(|&day| day > 28));
            return Ok(());
        };
        for change in WINDOWS.iter() {
            let (first, last) = (change.minutes[0].0, change.minutes[change.minutes.len() - 1].0);
            let expected = simulated(&line, &change.minutes);
            prop_assert_eq!(
                ours(&crontab, &change.zone, first, last), expected.clone(),
                "`{}` in {}", line.text(), change.zone_name
            );
            for (after, until) in [(first, last), (first, change.at), (change.at, last)] {
                let latest = expected.iter().copied().rfind(|&time| time > after && time <= until);
                prop_assert_eq!(
                    crontab.latest_in(&change.zone, after, until), latest,
                    "the last of `{}` in {}", line.text(), change.zone_name
                );
            }
        }
    }

    #[test]
    fn around_every_change_of_the_clock_lines_run_as_in_croner(line in line()) {
        let Ok(crontab) = Crontab::parse(&line.text()) else { return Ok(()) };
        for change in WINDOWS.iter() {
            let zone: chrono_tz::Tz = change.zone_name.parse().unwrap();
            let hours = SignedDuration::from_hours;
            let near = |time: &Timestamp| time.duration_since(change.at).abs() <= hours(2);
            let (first, last) = (change.at - hours(10), change.at + hours(10));
            let mut here = ours(&crontab, &change.zone, first, last);
            let mut there = croners(&line, &zone, first, last);
            if !same_sort(&line) {
                here.retain(|time| !near(time));
                there.retain(|time| !near(time));
            }
            prop_assert_eq!(here, there, "`{}` in {}", line.text(), change.zone_name);
        }
    }

    #[test]
    fn far_from_changes_the_calendar_is_that_of_croner(
        line in line(), start in 946_684_800_i64..3_000_000_000, window in 1_i64..4000
    ) {
        let Ok(crontab) = Crontab::parse(&line.text()) else { return Ok(()) };
        let after = Timestamp::from_second(start).unwrap();
        let mut until = after + SignedDuration::from_hours(window * 24);
        let here = crontab.upcoming(&TimeZone::UTC, after, 40);
        let here: Vec<_> = here.into_iter().take_while(|&time| time <= until).collect();
        if here.len() == 40 {
            until = here[39];
        }
        prop_assert_eq!(&here, &croners(&line, &Utc, after, until), "`{}`", line.text());
        prop_assert_eq!(crontab.latest_in(&TimeZone::UTC, after, until), here.last().copied());
    }
}

#[test]
fn the_zones_change_their_clocks_where_the_table_says() {
    for (zone_name, at, before, after) in CHANGES {
        let zone = TimeZone::get(zone_name).unwrap();
        let at: Timestamp = at.parse().unwrap();
        let minutes = |time| zone.to_offset(time).seconds() / 60;
        assert_eq!(
            minutes(at - SignedDuration::from_secs(1)),
            before,
            "{zone_name}"
        );
        assert_eq!(minutes(at), after, "{zone_name}");
    }
}

#[track_caller]
fn times(line: &str, zone: &str, after: &str, expected: &[&str]) {
    let zone = TimeZone::get(zone).unwrap();
    let after: Timestamp = after.parse().unwrap();
    let expected: Vec<Timestamp> = expected.iter().map(|time| time.parse().unwrap()).collect();
    let crontab = Crontab::parse(line).unwrap();
    assert_eq!(
        crontab.upcoming(&zone, after, expected.len()),
        expected,
        "`{line}`"
    );
}

#[test]
fn a_line_with_both_days_restricted_runs_on_either() {
    // Debian crontab(5): "``30 4 1,15 * 5'' would cause a command to be run at 4:30 am on the 1st and 15th of
    // each month, plus every Friday." In January 2026 the Fridays are 2, 9, 16, 23 and 30 (cal).
    times(
        "30 4 1,15 * 5",
        "UTC",
        "2026-01-01T00:00:00Z",
        &[
            "2026-01-01T04:30:00Z",
            "2026-01-02T04:30:00Z",
            "2026-01-09T04:30:00Z",
            "2026-01-15T04:30:00Z",
            "2026-01-16T04:30:00Z",
            "2026-01-23T04:30:00Z",
            "2026-01-30T04:30:00Z",
            "2026-02-01T04:30:00Z",
        ],
    );
    // POSIX crontab: "0 3 13 * 5" runs on every 13th and every Friday; 13 February 2026 is both.
    times(
        "0 3 13 * 5",
        "UTC",
        "2026-02-10T00:00:00Z",
        &[
            "2026-02-13T03:00:00Z",
            "2026-02-20T03:00:00Z",
            "2026-02-27T03:00:00Z",
            "2026-03-06T03:00:00Z",
            "2026-03-13T03:00:00Z",
        ],
    );
}

#[test]
fn a_day_field_that_begins_with_a_star_does_not_widen_the_other() {
    // Mondays that fall on an odd day: 5 and 19 January 2026.
    times(
        "0 3 */2 * MON",
        "UTC",
        "2026-01-01T00:00:00Z",
        &["2026-01-05T03:00:00Z", "2026-01-19T03:00:00Z"],
    );
}

#[test]
fn stated_times_in_a_gap_run_once_at_its_end() {
    let before = "2026-03-28T12:00:00Z";
    times(
        "0,20,40 1 * * *",
        "Europe/Lisbon",
        before,
        &["2026-03-29T01:00:00Z", "2026-03-30T00:00:00Z"],
    );
    // One time in the gap and one at its very end are one run.
    times(
        "0 1,2 * * *",
        "Europe/Lisbon",
        before,
        &["2026-03-29T01:00:00Z", "2026-03-30T00:00:00Z"],
    );
    // Where the gap begins at local midnight, the run is still on the day that was asked for.
    times(
        "30 0 * * SUN",
        "America/Santiago",
        "2026-09-05T12:00:00Z",
        &["2026-09-06T04:00:00Z", "2026-09-13T03:30:00Z"],
    );
}

#[test]
fn stated_times_in_a_repeated_hour_run_the_first_time_only() {
    times(
        "30 1 * * *",
        "Europe/Lisbon",
        "2026-10-24T12:00:00Z",
        &["2026-10-25T00:30:00Z", "2026-10-26T01:30:00Z"],
    );
}

#[test]
fn lines_with_a_star_follow_the_wall_clock() {
    times(
        "*/30 1 * * *",
        "Europe/Lisbon",
        "2026-10-24T12:00:00Z",
        &[
            "2026-10-25T00:00:00Z",
            "2026-10-25T00:30:00Z",
            "2026-10-25T01:00:00Z",
            "2026-10-25T01:30:00Z",
        ],
    );
    times(
        "*/30 1 * * *",
        "Europe/Lisbon",
        "2026-03-28T12:00:00Z",
        &["2026-03-30T00:00:00Z", "2026-03-30T00:30:00Z"],
    );
}

#[test]
fn a_change_of_three_hours_or_more_is_a_correction() {
    // Pacific/Apia left out 30 December 2011 (tzdata): what was planned that day does not run later.
    times(
        "0 5 * * *",
        "Pacific/Apia",
        "2011-12-29T00:00:00Z",
        &["2011-12-29T15:00:00Z", "2011-12-30T15:00:00Z"],
    );
}
