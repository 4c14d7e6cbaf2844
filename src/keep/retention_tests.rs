//! Retention by example, and the laws it must obey whatever the nights.

use std::collections::{BTreeSet, HashSet};

use jiff::{SignedDuration, Timestamp, tz::TimeZone};
use proptest::prelude::*;

use super::*;
use crate::jobs::{Span, Unit};

fn at(text: &str) -> Timestamp {
    text.parse().expect("an RFC 3339 time")
}

fn name(text: &str) -> GenerationName {
    GenerationName::at(at(text))
}

fn zone(name: &str) -> TimeZone {
    TimeZone::get(name).expect("a zone of the IANA database")
}

fn span(amount: u32, unit: Unit) -> Span {
    Span { amount, unit }
}

fn rule(every: (u32, Unit), span_of: (u32, Unit)) -> KeepRule {
    KeepRule {
        every: span(every.0, every.1),
        span: span(span_of.0, span_of.1),
    }
}

fn studio_rules() -> Vec<KeepRule> {
    vec![
        rule((1, Unit::Day), (2, Unit::Week)),
        rule((1, Unit::Week), (3, Unit::Month)),
    ]
}

fn whys(rules: &[KeepRule], names: &[&str], now: &str) -> Vec<(bool, String)> {
    let names: Vec<_> = names.iter().map(|text| name(text)).collect();
    decide(rules, &names, at(now), &zone("Europe/Lisbon"))
        .into_iter()
        .map(|decision| (decision.kept, decision.why))
        .collect()
}

#[test]
fn each_decision_says_why_in_words() {
    let names = [
        "2026-11-25T02:30:00Z",
        "2026-11-24T14:00:00Z",
        "2026-11-24T02:30:00Z",
        "2026-11-22T02:30:00Z",
        "2026-11-08T02:30:00Z",
        "2026-11-06T02:30:00Z",
        "2026-08-20T02:30:00Z",
    ];
    let daily = "(1 day for 2 weeks)";
    let weekly = "(1 week for 3 months)";
    assert_eq!(
        whys(&studio_rules(), &names, "2026-11-25T03:00:00Z"),
        [
            (true, "newest".to_owned()),
            (true, format!("last of Tue 24 Nov {daily}")),
            (false, "a newer one stands for Tue 24 Nov".to_owned()),
            (
                true,
                format!("last of Sun 22 Nov {daily}; last of week 47 {weekly}")
            ),
            (true, format!("last of week 45 {weekly}")),
            (false, "a newer one stands for week 45".to_owned()),
            (false, "no rule keeps it: older than 3 months".to_owned()),
        ]
    );
}

#[test]
fn without_rules_all_are_kept() {
    let names = ["2026-11-25T02:30:00Z", "2001-01-01T00:00:00Z"];
    let kept: Vec<bool> = whys(&[], &names, "2026-11-25T03:00:00Z")
        .iter()
        .map(|why| why.0)
        .collect();
    assert_eq!(kept, [true, true]);
}

#[test]
fn the_only_generation_is_kept_however_old() {
    let why = whys(
        &studio_rules(),
        &["1999-01-01T00:00:00Z"],
        "2026-11-25T03:00:00Z",
    );
    assert_eq!(why, [(true, "newest".to_owned())]);
}

#[test]
fn generations_from_the_future_are_kept_and_do_not_stand_for_the_real_newest() {
    let names = [
        "2038-01-19T03:14:07Z",
        "2026-11-24T02:30:00Z",
        "2020-01-01T00:00:00Z",
    ];
    let why = whys(&studio_rules(), &names, "2026-11-25T03:00:00Z");
    assert_eq!(
        why[0],
        (true, "from the future: the clock was set back".to_owned())
    );
    assert_eq!(why[1], (true, "newest".to_owned()));
    assert!(!why[2].0);
}

#[test]
fn a_generation_exactly_as_old_as_the_span_is_no_longer_young() {
    let rules = [rule((1, Unit::Day), (2, Unit::Day))];
    for (old, expected) in [
        ("2026-11-23T02:30:01Z", true),
        ("2026-11-23T02:30:00Z", false),
    ] {
        let why = whys(
            &rules,
            &["2026-11-25T02:30:00Z", old],
            "2026-11-25T02:30:00Z",
        );
        assert_eq!(why[1].0, expected, "{old}");
    }
}

#[test]
fn a_day_of_23_or_25_hours_has_one_last_generation() {
    let rules = [rule((1, Unit::Day), (1, Unit::Year))];
    // The EU leaves summer time on 25 October 2026 at 01:00 UTC (directive 2000/84/EC): the local day lasts
    // from 23:00 UTC of the 24th to 24:00 UTC of the 25th.
    let names = [
        "2026-10-26T00:00:00Z",
        "2026-10-25T23:59:59Z",
        "2026-10-24T23:00:00Z",
        "2026-10-24T22:59:59Z",
    ];
    let kept: Vec<bool> = whys(&rules, &names, "2026-10-26T03:00:00Z")
        .iter()
        .map(|why| why.0)
        .collect();
    assert_eq!(kept, [true, true, false, true]);
}

const ZONES: [&str; 5] = [
    "UTC",
    "Europe/Lisbon",
    "America/St_Johns",
    "Pacific/Apia", // skipped 30 December 2011 altogether (IANA tz database, `australasia`)
    "Australia/Lord_Howe", // summer time of half an hour (IANA tz database, `australasia`)
];

fn any_rule() -> impl Strategy<Value = KeepRule> {
    let unit = prop::sample::select(vec![
        Unit::Hour,
        Unit::Day,
        Unit::Week,
        Unit::Month,
        Unit::Year,
    ]);
    (1_u32..5, unit.clone(), 1_u32..20, unit)
        .prop_map(|(every, unit, amount, of)| rule((every, unit), (amount, of)))
}

fn any_rules() -> impl Strategy<Value = Vec<KeepRule>> {
    prop::collection::vec(any_rule(), 1..4)
}

/// Up to 60 generations in the years around Samoa's skipped day, at any minute.
fn any_names() -> impl Strategy<Value = Vec<GenerationName>> {
    let first = at("2010-06-01T00:00:00Z");
    let minute = 0_i64..(2 * 365 * 24 * 60);
    prop::collection::vec(minute, 1..60).prop_map(move |minutes| {
        let name = |minute: i64| GenerationName::at(first + SignedDuration::from_mins(minute));
        minutes.into_iter().map(name).collect()
    })
}

fn any_zone() -> impl Strategy<Value = TimeZone> {
    prop::sample::select(ZONES.to_vec()).prop_map(zone)
}

fn any_now() -> impl Strategy<Value = Timestamp> {
    let first = at("2010-06-01T00:00:00Z");
    (0_i64..(3 * 365 * 24)).prop_map(move |hours| first + SignedDuration::from_hours(hours))
}

fn kept(decisions: &[Decision]) -> BTreeSet<GenerationName> {
    let kept = decisions.iter().filter(|decision| decision.kept);
    kept.map(|decision| decision.generation).collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1000))]

    #[test]
    fn the_newest_is_never_retired_and_every_generation_is_decided(
        rules in any_rules(), names in any_names(), now in any_now(), zone in any_zone()
    ) {
        let decisions = decide(&rules, &names, now, &zone);
        let newest = names.iter().max().expect("at least one");
        prop_assert!(kept(&decisions).contains(newest));
        let past = names.iter().filter(|name| name.instant() <= now).max();
        prop_assert!(past.is_none_or(|past| kept(&decisions).contains(past)));
        let decided: BTreeSet<_> = decisions.iter().map(|decision| decision.generation).collect();
        prop_assert_eq!(decided, names.into_iter().collect());
        prop_assert!(decisions.is_sorted_by(|a, b| a.generation > b.generation));
    }

    #[test]
    fn another_rule_never_retires_more(
        rules in any_rules(), more in any_rule(), names in any_names(), now in any_now(), zone in any_zone()
    ) {
        let few = kept(&decide(&rules, &names, now, &zone));
        let rules: Vec<_> = rules.into_iter().chain([more]).collect();
        let many = kept(&decide(&rules, &names, now, &zone));
        prop_assert!(few.is_subset(&many));
    }

    #[test]
    fn deciding_again_after_retiring_changes_nothing(
        rules in any_rules(), names in any_names(), now in any_now(), zone in any_zone()
    ) {
        let once = kept(&decide(&rules, &names, now, &zone));
        let left: Vec<_> = once.iter().copied().collect();
        prop_assert_eq!(kept(&decide(&rules, &left, now, &zone)), once);
    }

    #[test]
    fn the_order_of_the_list_does_not_matter(
        rules in any_rules(), names in any_names(), now in any_now(), zone in any_zone(), turn in 0_usize..60
    ) {
        let decisions = decide(&rules, &names, now, &zone);
        let mut turned: Vec<_> = names.iter().rev().copied().collect();
        turned.rotate_left(turn % names.len());
        prop_assert_eq!(decide(&rules, &turned, now, &zone), decisions);
    }
}

/// The local day, week, month or year of an instant, reckoned from what jiff prints and not from `Period`.
fn printed_period(instant: Timestamp, unit: Unit, zone: &TimeZone) -> String {
    let form = match unit {
        Unit::Day => "%Y-%m-%d",
        Unit::Week => "%G-W%V",
        Unit::Month => "%Y-%m",
        _ => "%Y",
    };
    zone.to_datetime(instant).strftime(form).to_string()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(24))]

    /// Nightly runs for two years, some missed, each followed by retention. A period is satisfied when a
    /// run fell in it; as long as all of it is younger than `for`, its last generation must still be there.
    #[test]
    fn two_years_of_nights_leave_the_last_generation_of_every_period_a_rule_covers(
        missed in prop::collection::hash_set(0_usize..730, 0..300),
        zone in any_zone(),
        minute in 0_i64..1440,
    ) {
        let rules = [
            rule((1, Unit::Day), (10, Unit::Day)),
            rule((1, Unit::Week), (2, Unit::Month)),
            rule((1, Unit::Month), (1, Unit::Year)),
        ];
        let first = at("2010-11-01T00:00:00Z") + SignedDuration::from_mins(minute);
        let mut there: Vec<GenerationName> = Vec::new();
        let mut ever: Vec<GenerationName> = Vec::new();
        for night in (0..730).filter(|night| !missed.contains(night)) {
            let now = first + SignedDuration::from_hours(24 * i64::try_from(night).expect("small"));
            there.push(GenerationName::at(now));
            ever.push(GenerationName::at(now));
            there = kept(&decide(&rules, &there, now, &zone)).into_iter().collect();
            if night % 31 == 0 || night > 700 {
                check_cover(&rules, &ever, &there, now, &zone)?;
            }
        }
    }
}

fn check_cover(
    rules: &[KeepRule],
    ever: &[GenerationName],
    there: &[GenerationName],
    now: Timestamp,
    zone: &TimeZone,
) -> Result<(), TestCaseError> {
    for rule in rules {
        let since = before(now, rule.span, zone).expect("within the calendar");
        let mut seen = HashSet::new();
        for made in ever.iter().rev().filter(|made| made.instant() > since) {
            let period = printed_period(made.instant(), rule.every.unit, zone);
            let last = seen.insert(period.clone());
            prop_assert!(
                !last || there.contains(made),
                "{made} should stand for {period} at {now}"
            );
        }
    }
    let most = 10 + 1 + 10 + 1 + 13 + 1;
    prop_assert!(there.len() <= most, "{} generations are left", there.len());
    Ok(())
}
