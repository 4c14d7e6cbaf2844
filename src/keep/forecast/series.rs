//! A figure over the days: the last of each day, cut where the level jumped.
//!
//! At most one point a day and a year of days, however many runs there were.

use jiff::Timestamp;
use serde::Serialize;

use super::point::{Point, median};

/// Before this many days with a figure, and this many days from first to last, nothing is foretold.
const FEWEST_POINTS: usize = 8;
const FEWEST_DAYS: f64 = 7.0;

/// A step is a jump when it is more than this share of the whole,
const JUMP_SHARE: f64 = 0.05;
/// and more than so many times what is usual for its length of time.
const JUMP_TIMES: f64 = 10.0;
/// More jumps than these are how things go here, and count as growth.
const MOST_JUMPS: usize = 3;

const SECONDS_A_DAY: f64 = 86_400.0;

/// What a forecast rests on.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize)]
pub struct Basis {
    pub runs: usize,
    /// From the first run to the last.
    pub days: f64,
}

/// Filled in the order of time.
#[derive(Debug, Clone, Default)]
pub struct Series {
    first: Option<Timestamp>,
    last: Option<Timestamp>,
    points: Vec<Point>,
    runs: usize,
}

impl Series {
    /// A figure, in bytes, that a run found. One that is older than the last is left out: the clock was set back.
    pub fn add(&mut self, at: Timestamp, value: f64) {
        if self.last.is_some_and(|last| at < last) {
            return;
        }
        let first = *self.first.get_or_insert(at);
        let is_same_day = self.last.is_some_and(|last| day(last) == day(at));
        if is_same_day {
            self.points.pop();
        }
        self.points.push(Point {
            x: days_between(first, at),
            y: value,
        });
        self.last = Some(at);
        self.runs += 1;
    }

    pub fn basis(&self) -> Basis {
        let days = self
            .first
            .zip(self.last)
            .map_or(0.0, |(first, last)| days_between(first, last));
        Basis {
            runs: self.runs,
            days,
        }
    }

    /// The figure of the last run, and when that was.
    pub fn last(&self) -> Option<(Timestamp, f64)> {
        self.last.zip(self.points.last().map(|point| point.y))
    }

    pub fn is_enough(&self) -> bool {
        self.points.len() >= FEWEST_POINTS && self.basis().days >= FEWEST_DAYS
    }

    /// The points between jumps, oldest first. `whole` is what a jump is measured by: the size of the drive, or
    /// of the source.
    ///
    /// A large thing that came or went once, such as a clean-up or another job's first copy, says nothing of how
    /// fast a drive fills, and changes only the level.
    pub fn stretches(&self, whole: f64) -> Vec<&[Point]> {
        let rate = |pair: &[Point]| ((pair[1].y - pair[0].y) / (pair[1].x - pair[0].x)).abs();
        let usual = median(&mut self.points.windows(2).map(rate).collect::<Vec<_>>());
        let is_jump = |first: &Point, second: &Point| {
            let step = (second.y - first.y).abs();
            step > JUMP_SHARE * whole && step > JUMP_TIMES * usual * (second.x - first.x).max(1.0)
        };
        let stretches: Vec<&[Point]> = self
            .points
            .chunk_by(|first, second| !is_jump(first, second))
            .collect();
        if stretches.len() > MOST_JUMPS + 1 {
            vec![&self.points]
        } else {
            stretches
        }
    }
}

/// From one instant to another, in days of 24 hours; less than nothing when it is earlier.
pub(super) fn days_between(from: Timestamp, to: Timestamp) -> f64 {
    to.duration_since(from).as_secs_f64() / SECONDS_A_DAY
}

/// The day in UTC: which one is all the same, as long as each has its own.
fn day(at: Timestamp) -> i64 {
    at.as_second().div_euclid(86_400)
}

#[cfg(test)]
mod tests {
    use jiff::SignedDuration;

    use super::*;

    fn start() -> Timestamp {
        "2026-03-01T02:30:00Z".parse().expect("a time")
    }

    fn nightly(values: impl IntoIterator<Item = f64>) -> Series {
        let mut series = Series::default();
        for (night, value) in (0..).zip(values) {
            series.add(start() + SignedDuration::from_hours(24 * night), value);
        }
        series
    }

    #[test]
    fn three_runs_over_two_days_are_too_little() {
        let series = nightly([1.0, 2.0, 3.0]);
        assert_eq!(series.basis(), Basis { runs: 3, days: 2.0 });
        assert!(!series.is_enough());
        assert!(nightly((0..8).map(f64::from)).is_enough());
    }

    #[test]
    fn many_runs_of_a_day_leave_the_last_of_it() {
        let mut series = Series::default();
        for hour in 0..21 {
            series.add(start() + SignedDuration::from_hours(hour), 5.0);
            series.add(start() + SignedDuration::from_hours(hour), 7.0);
        }
        assert_eq!(
            series.points,
            [Point {
                x: 20.0 / 24.0,
                y: 7.0
            }]
        );
        assert_eq!(series.basis().runs, 42);
    }

    #[test]
    fn a_clean_up_cuts_the_series_and_the_saw_of_retention_does_not() {
        let cleaned = nightly((0..30).map(|n| {
            if n < 20 {
                500.0 + f64::from(n)
            } else {
                f64::from(n)
            }
        }));
        let lengths: Vec<usize> = cleaned.stretches(1000.0).iter().map(|s| s.len()).collect();
        assert_eq!(lengths, [20, 10]);
        let saw = nightly((0..100).map(|n| 300.0 + 10.0 * f64::from(n % 20)));
        assert_eq!(saw.stretches(1000.0).len(), 1);
        let quiet = nightly([100.0; 20].into_iter().chain([101.0; 20]));
        assert_eq!(quiet.stretches(1000.0).len(), 1);
    }

    #[test]
    fn a_night_from_before_the_clock_was_set_back_is_not_gone_back_to() {
        let mut series = nightly([1.0, 2.0]);
        series.add(start(), 9.0);
        assert_eq!(series.basis().runs, 2);
    }
}
