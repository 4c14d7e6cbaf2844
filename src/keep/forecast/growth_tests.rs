//! The laws of growth, and how often what it foretells comes true.

use jiff::{SignedDuration, Timestamp};
use proptest::prelude::*;

use super::*;

fn series(steps: &[f64]) -> Series {
    let start: Timestamp = "2026-01-01T02:30:00Z".parse().expect("a time");
    let mut series = Series::default();
    let mut level = 0.0;
    for (night, step) in (0..).zip(steps) {
        level += step;
        series.add(start + SignedDuration::from_hours(24 * night), level);
    }
    series
}

/// Numbers between 0 and 1, always the same (L'Ecuyer 1999, a multiplier for 2^64).
struct Dice(u64);

impl Dice {
    #[expect(clippy::cast_precision_loss, reason = "53 bits fit")]
    fn roll(&mut self) -> f64 {
        self.0 = self
            .0
            .wrapping_mul(2_862_933_555_777_941_757)
            .wrapping_add(3_037_000_493);
        (self.0 >> 11) as f64 / (1_u64 << 53) as f64
    }

    fn even(&mut self) -> f64 {
        2.0 * self.roll()
    }

    /// A night in the studio: mostly a little, sometimes a shoot's worth of photographs, sometimes less than before.
    fn uneven(&mut self) -> f64 {
        match self.roll() {
            rare if rare < 0.1 => 20.0 * self.roll(),
            retired if retired < 0.25 => -2.0 * self.roll(),
            _ => 2.0 * self.roll(),
        }
    }
}

/// How many of 200 forecasts, made after so many nights, held the night on which it really happened.
fn came_true(nights: usize, night: fn(&mut Dice) -> f64) -> usize {
    let came_true = |seed: &u64| {
        let mut dice = Dice(seed * 7919);
        (0..10).for_each(|_| assert!(dice.roll() < 1.0));
        let past: Vec<f64> = (0..nights).map(|_| night(&mut dice)).collect();
        let arrival = Growth::of(&series(&past), 1e6).unwrap().until(150.0);
        let (mut level, mut days) = (0.0, 0.0);
        while level < 150.0 {
            level += night(&mut dice);
            days += 1.0;
        }
        let in_time = arrival.earliest.is_some_and(|earliest| earliest <= days);
        in_time && arrival.latest.is_none_or(|latest| days - 1.0 <= latest)
    };
    (1..=200).filter(came_true).count()
}

#[test]
fn what_grows_by_the_same_each_night_is_foretold_exactly() {
    let growth = Growth::of(&series(&[2.0; 30]), 1e6).unwrap();
    assert_eq!(
        growth.per_day,
        Estimate {
            likely: 2.0,
            low: 2.0,
            high: 2.0
        }
    );
    let arrival = growth.until(100.0);
    assert_eq!(
        arrival,
        Arrival {
            earliest: Some(50.0),
            likely: Some(50.0),
            latest: Some(50.0)
        }
    );
    assert_eq!(growth.until(0.0).latest, Some(0.0));
    assert_eq!(growth.until(1e6), Arrival::default());
}

#[test]
fn what_shrinks_never_arrives() {
    let growth = Growth::of(&series(&[-2.0; 30]), 1e6).unwrap();
    assert_eq!(growth.until(10.0), Arrival::default());
}

#[test]
fn a_thing_that_came_once_does_not_count_as_growth() {
    let mut steps = [1.0; 60];
    steps[30] = 5000.0;
    let growth = Growth::of(&series(&steps), 10_000.0).unwrap();
    assert_eq!(
        growth.per_day,
        Estimate {
            likely: 1.0,
            low: 1.0,
            high: 1.0
        }
    );
}

#[test]
fn growth_arrives_within_the_interval_about_as_often_as_promised() {
    let even = [10, 20, 60, 300].map(|nights| came_true(nights, Dice::even));
    let uneven = [10, 20, 60, 300].map(|nights| came_true(nights, Dice::uneven));
    println!("of 200 each, after 10, 20, 60 and 300 nights: even {even:?}, uneven {uneven:?}");
    // 95 % promised: 181 or fewer of 200 would come about once in 200 times (binomial distribution)
    assert!(even.iter().all(|count| *count > 181), "{even:?}");
    assert!(uneven[2..].iter().all(|count| *count > 181), "{uneven:?}");
    // two weeks may not have seen yet what comes once in ten nights
    assert!(uneven[..2].iter().all(|count| *count > 140), "{uneven:?}");
}

proptest! {
    #[test]
    fn more_to_go_never_arrives_sooner(
        steps in prop::collection::vec(-50_f64..100.0, 8..60),
        amount in 0_f64..5000.0,
        more in 0_f64..1000.0,
    ) {
        let Some(growth) = Growth::of(&series(&steps), 1e6) else { return Ok(()) };
        let (near, far) = (growth.until(amount), growth.until(amount + more));
        let is_later = |near: Option<f64>, far: Option<f64>| match (near, far) {
            (_, None) => true,
            (Some(near), Some(far)) => near <= far + 1e-9,
            (None, Some(_)) => false,
        };
        prop_assert!(is_later(near.earliest, far.earliest));
        prop_assert!(is_later(near.likely, far.likely));
        prop_assert!(is_later(near.latest, far.latest));
        prop_assert!(is_later(near.earliest, near.likely) && is_later(near.likely, near.latest), "{near:?}");
    }
}
