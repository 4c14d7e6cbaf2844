//! A job whose source and changes are known exactly.

use jiff::SignedDuration;
use proptest::prelude::*;

use super::super::HORIZON_DAYS;
use super::*;

const GB: f64 = 1e9;

fn now() -> Timestamp {
    "2026-11-25T09:00:00Z".parse().expect("a time")
}

fn night(back: i64) -> Timestamp {
    "2026-11-25T02:30:00Z".parse::<Timestamp>().expect("a time")
        - SignedDuration::from_hours(24 * back)
}

/// 60 nights, of which each but the first changes `new` bytes of a source of 100 GB.
fn studio(holding: Holding, new: u64) -> JobSeries {
    let mut series = JobSeries::new(holding);
    for back in (0..60).rev() {
        let new = if back == 59 && holding == Holding::Differences {
            100_000_000_000
        } else {
            new
        };
        series.add(JobFigures {
            at: night(back),
            source: 100_000_000_000,
            new,
        });
    }
    series
}

fn rule(every: &str, span: &str) -> KeepRule {
    KeepRule {
        every: Span::parse(every).unwrap(),
        span: Span::parse(span).unwrap(),
    }
}

fn situation<'a>(rules: &'a [KeepRule], generations: &'a [GenerationName]) -> Situation<'a> {
    Situation {
        now: now(),
        rules,
        cap: None,
        used: None,
        room: None,
        generations,
        wanted: None,
    }
}

fn nights(count: i64) -> Vec<GenerationName> {
    (0..count)
        .map(|back| GenerationName::at(night(back)))
        .collect()
}

fn close(found: f64, expected: f64) -> bool {
    (found - expected).abs() <= 1e-6 * expected.abs().max(1.0)
}

#[test]
fn the_first_copy_is_not_taken_for_change() {
    let outlook = HistoryOutlook::of(
        &studio(Holding::Differences, 1_000_000_000),
        &situation(&[], &nights(60)),
    );
    assert!(close(outlook.changes.unwrap().likely, GB));
    assert!(close(outlook.changes.unwrap().high, GB));
    assert!(close(outlook.copy_growth.unwrap().likely + 1.0, 1.0));
    assert_eq!(outlook.generations, 60);
    assert!((outlook.reach_now.unwrap() - 59.27).abs() < 0.01);
    assert_eq!(outlook.common_practice_cap, Some(200.0 * GB));
}

#[test]
fn what_limits_the_reach_is_named() {
    let series = studio(Holding::Differences, 1_000_000_000);
    let generations = nights(60);
    let rules = [rule("1 day", "1 year")];
    let with = |change: fn(&mut Situation)| {
        let mut situation = situation(&rules, &generations);
        change(&mut situation);
        HistoryOutlook::of(&series, &situation).reach.unwrap()
    };
    let by_rules = with(|_| ());
    assert_eq!(by_rules.limit, Limit::KeepRules);
    assert!(close(by_rules.days.likely, 365.25));
    let by_cap = with(|situation| situation.cap = Some(300_000_000_000));
    assert_eq!(by_cap.limit, Limit::Cap);
    assert!((by_cap.days.likely - 200.0).abs() < 1e-3, "{by_cap:?}");
    // 59 gaps of 1 GB are held already
    let by_drive = with(|situation| {
        (situation.used, situation.room) = (Some(159_000_000_000), Some(41_000_000_000));
    });
    assert_eq!(by_drive.limit, Limit::Drive);
    assert!((by_drive.days.likely - 100.0).abs() < 1e-3, "{by_drive:?}");
    let endless = HistoryOutlook::of(&series, &situation(&[], &generations))
        .reach
        .unwrap();
    assert_eq!(
        (endless.limit, endless.days.likely),
        (Limit::None, f64::from(HORIZON_DAYS))
    );
}

#[test]
fn the_cap_for_a_reach_is_that_of_the_rules_unless_another_is_asked_for() {
    let series = studio(Holding::Differences, 1_000_000_000);
    let generations = nights(60);
    let rules = [rule("1 day", "90 days")];
    let mut situation = situation(&rules, &generations);
    let by_rules = HistoryOutlook::of(&series, &situation).wanted.unwrap();
    assert!(
        close(by_rules.needed_cap.likely, 190.0 * GB),
        "{by_rules:?}"
    );
    assert_eq!(
        (by_rules.asked_by, by_rules.is_beyond_rules),
        (AskedBy::KeepRules, false)
    );
    situation.wanted = Some(Span::parse("200 days").unwrap());
    let by_hand = HistoryOutlook::of(&series, &situation).wanted.unwrap();
    assert!(close(by_hand.needed_cap.likely, 300.0 * GB), "{by_hand:?}");
    assert_eq!(
        (by_hand.asked_by, by_hand.is_beyond_rules),
        (AskedBy::Hand, true)
    );
}

#[test]
fn a_file_that_changes_each_night_is_held_as_often_as_was_measured() {
    let rules = [rule("1 day", "1 year")];
    let generations = nights(60);
    let mut situation = situation(&rules, &generations);
    // half of what the bound says
    situation.used = Some(100_000_000_000 + 59 * 500_000_000);
    situation.wanted = Some(Span::parse("100 days").unwrap());
    let outlook = HistoryOutlook::of(&studio(Holding::Differences, 1_000_000_000), &situation);
    assert!(
        close(outlook.wanted.unwrap().needed_cap.likely, 150.0 * GB),
        "{outlook:?}"
    );
}

#[test]
fn an_archive_takes_its_length_for_each_generation() {
    let rules = [rule("1 week", "10 weeks")];
    let generations = nights(9);
    let outlook = HistoryOutlook::of(
        &studio(Holding::Whole, 2_000_000_000),
        &situation(&rules, &generations),
    );
    assert_eq!((outlook.copy, outlook.changes), (Some(2.0 * GB), None));
    assert!(
        close(outlook.wanted.unwrap().needed_cap.likely, 22.0 * GB),
        "{outlook:?}"
    );
}

#[test]
fn a_few_nights_foretell_nothing() {
    let mut series = JobSeries::new(Holding::Differences);
    for back in [2, 1, 0] {
        series.add(JobFigures {
            at: night(back),
            source: 10,
            new: 1,
        });
    }
    let outlook = HistoryOutlook::of(&series, &situation(&[], &nights(3)));
    assert_eq!(
        (outlook.reach, outlook.wanted, outlook.changes),
        (None, None, None)
    );
    assert_eq!(outlook.basis, Basis { runs: 3, days: 2.0 });
    let none = HistoryOutlook::of(&JobSeries::new(Holding::Whole), &situation(&[], &[]));
    assert_eq!((none.copy, none.reach_now), (None, None));
}

proptest! {
    #[test]
    fn a_larger_cap_reaches_at_least_as_far_and_its_interval_holds_what_is_likely(
        nights_of in prop::collection::vec((50_000_u64..150_000, 0_u64..10_000), 8..40),
        cap in 50_000_u64..2_000_000,
        more in 0_u64..1_000_000,
    ) {
        let mut series = JobSeries::new(Holding::Differences);
        for (number, (source, new)) in (0..).zip(&nights_of) {
            series.add(JobFigures { at: night(60 - number), source: *source, new: *new });
        }
        let rules = [rule("1 day", "2 weeks"), rule("1 month", "2 years")];
        let generations = nights(8);
        let reach = |cap| {
            let mut situation = situation(&rules, &generations);
            situation.cap = Some(cap);
            HistoryOutlook::of(&series, &situation)
        };
        let (small, large) = (reach(cap), reach(cap + more));
        let (Some(small_reach), Some(large_reach)) = (small.reach, large.reach) else { return Ok(()) };
        prop_assert!(small_reach.days.likely <= large_reach.days.likely);
        let days = small_reach.days;
        prop_assert!(days.low <= days.likely && days.likely <= days.high, "{days:?}");
        let needed = small.wanted.unwrap().needed_cap;
        prop_assert!(needed.low <= needed.likely && needed.likely <= needed.high, "{needed:?}");
    }
}
