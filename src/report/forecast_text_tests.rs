//! The whole page of a server in trouble, of one that is well, and of one that is new.

use jiff::SignedDuration;

use super::super::sample_runs::{lisbon, name};
use super::super::{DriveForecast, JobForecast, SpaceSeen};
use super::*;
use crate::jobs::KindName;
use crate::keep::forecast::{Basis, Estimate, Filling, Moments};

fn now() -> Timestamp {
    "2026-11-25T09:00:00Z".parse().unwrap()
}

fn days(count: i64) -> Timestamp {
    now() + SignedDuration::from_hours(24 * count)
}

fn estimate(likely: f64, low: f64, high: f64) -> Estimate {
    Estimate { likely, low, high }
}

const MANY: Basis = Basis {
    runs: 214,
    days: 210.2,
};

fn drive(
    text: &str,
    outlook: Outlook,
    [earliest, likely, latest]: [Option<Timestamp>; 3],
) -> DriveForecast {
    let moments = Moments {
        earliest,
        likely,
        latest,
    };
    let is_known = outlook != Outlook::TooLittleKnown;
    DriveForecast {
        name: name(text),
        space: is_known.then_some(SpaceSeen {
            total: 4_000_000_000_000,
            free: 650_000_000_000,
        }),
        reserve: 20_000_000_000,
        filling: Filling {
            basis: if is_known {
                MANY
            } else {
                Basis { runs: 3, days: 2.0 }
            },
            seen: Some(days(-1)),
            outlook,
            per_day: is_known.then_some(estimate(4.2e9, 3.1e9, 5.6e9)),
            at_reserve: moments,
            full: moments,
        },
    }
}

fn studio_files() -> JobForecast {
    JobForecast {
        name: name("studio-files"),
        kind: KindName::History,
        drive: name("shelf"),
        history: HistoryOutlook {
            basis: MANY,
            holds: Holding::Differences,
            copy: Some(345e9),
            copy_growth: Some(estimate(1e8, -1e6, 2e8)),
            changes: Some(estimate(1.2e9, 0.9e9, 1.5e9)),
            generations: 95,
            reach_now: Some(94.0),
            reach: Some(Reach {
                days: estimate(400.0, 300.0, 520.0),
                limit: Limit::Cap,
            }),
            cap: Some(1_500_000_000_000),
            wanted: Some(Wanted {
                days: 730.5,
                asked_by: AskedBy::Hand,
                is_beyond_rules: true,
                needed_cap: estimate(1.9e12, 1.6e12, 2.4e12),
                reckoned_from: Reckoned::Changes,
            }),
            common_practice_cap: Some(690e9),
        },
    }
}

fn facts(drives: Vec<DriveForecast>, jobs: Vec<JobForecast>) -> ForecastFacts {
    ForecastFacts {
        server: name("kiln"),
        now: now(),
        level: LEVEL,
        attention: drives
            .iter()
            .filter_map(|drive| drive.attention(now()))
            .collect(),
        drives,
        jobs,
    }
}

fn shown(facts: &ForecastFacts) -> String {
    forecast_text(facts, &lisbon(), 80, Style::Plain)
}

#[test]
fn what_needs_a_person_stands_at_the_top() {
    let drives = vec![
        drive(
            "shelf",
            Outlook::Fills,
            [Some(days(18)), Some(days(24)), Some(days(40))],
        ),
        drive("barn", Outlook::TooLittleKnown, [None; 3]),
    ];
    assert_eq!(
        shown(&facts(drives, vec![studio_files()])),
        "\
kiln: 1 drive is SOON SHORT OF SPACE, Wed 25 Nov 2026 09:00 WET

  ! shelf: reaches its reserve of 20 GB in about 3 weeks (3 to 6)

An interval, in brackets, holds what comes 95 times in 100, if things go on as
they did.

Drives
  shelf
    full in about 3 weeks (3 to 6)
    reaches its reserve of 20 GB in about 3 weeks (3 to 6)
    grows by 4.2 GB a day (3.1 GB to 5.6 GB); 214 runs over 210 days
    650 GB free of 4 TB after its last run
  barn
    when it will be full: too little is known yet (3 runs over 2 days)

History
  studio-files
    reaches back 3 months now, with 95 copies
    will reach back about 13 months (10 to 17): the cap holds no more
    1.2 GB (900 MB to 1.5 GB) new or changed a day; the source, 345 GB, grows by
      100 MB a day (-1 MB to 200 MB)
    for 2 years, asked for, it needs a cap of at most 1.9 TB (1.6 TB to 2.4 TB);
      it has 1.5 TB
    the keep rules retire all that is older than they reach: they would have to
      reach so far too
    common practice, no source: a cap of at least twice the source, here 690 GB,
      gives months
    214 runs over 210 days
"
    );
}

#[test]
fn a_drive_that_does_not_fill_says_why() {
    let drives = vec![
        drive("attic", Outlook::Shrinks, [None; 3]),
        drive(
            "barn",
            Outlook::NotWithinTenYears,
            [Some(days(1500)), None, None],
        ),
        drive(
            "shelf",
            Outlook::AtReserve,
            [Some(days(0)), Some(days(0)), Some(days(3))],
        ),
    ];
    let text = shown(&facts(drives, Vec::new()));
    for line in [
        "    it is shrinking; not full within 10 years\n",
        "    not full within 10 years; at the earliest in 4 years\n",
        "    it is at its reserve\n    is at its reserve of 20 GB: 650 GB free\n",
        "  ! shelf: is at its reserve of 20 GB: 650 GB free\n",
    ] {
        assert!(text.contains(line), "{line}{text}");
    }
}

#[test]
fn a_server_that_is_new_knows_too_little() {
    let mut job = studio_files();
    job.history.reach = None;
    job.history.basis = Basis { runs: 1, days: 0.0 };
    job.history.reach_now = None;
    job.history.common_practice_cap = None;
    let text = shown(&facts(
        vec![drive("barn", Outlook::TooLittleKnown, [None; 3])],
        vec![job],
    ));
    assert!(
        text.starts_with("kiln: too little is known yet, Wed 25 Nov 2026"),
        "{text}"
    );
    assert!(text.contains("    there is no copy yet\n"), "{text}");
    assert!(
        text.ends_with("    how far it will reach: too little is known yet (1 run over 0 days)\n"),
        "{text}"
    );
}

#[test]
fn thirty_days_are_soon_and_a_day_more_is_not() {
    let at = |count| {
        drive(
            "shelf",
            Outlook::Fills,
            [Some(days(1)), Some(days(count)), None],
        )
    };
    assert!(at(30).is_soon_full(now()));
    assert!(!at(31).is_soon_full(now()));
    assert!(facts(vec![at(30)], Vec::new()).needs_attention());
    assert!(!facts(vec![at(31)], Vec::new()).needs_attention());
}

#[test]
fn no_line_is_wider_than_the_page_and_colour_changes_no_word() {
    let mut facts = facts(
        vec![drive(
            &"d".repeat(64),
            Outlook::Fills,
            [Some(days(18)), Some(days(24)), Some(days(40))],
        )],
        vec![studio_files()],
    );
    facts.server = name(&"s".repeat(64));
    facts.jobs[0].name = name(&"j".repeat(64));
    let text = shown(&facts);
    for line in text.lines() {
        assert!(width(line) <= 80, "{line}");
    }
    let mut colour = forecast_text(&facts, &lisbon(), 80, Style::Colour);
    for code in ["\x1b[0m", "\x1b[1m", "\x1b[32m", "\x1b[1;31m"] {
        colour = colour.replace(code, "");
    }
    assert_eq!(colour, text);
}
