//! How old the kept generations are, once a job has run by its `[[keep]]` rules for long.

use super::growth::HORIZON_DAYS;
use crate::jobs::{KeepRule, Span};

/// Rules finer than an hour are reckoned as hourly ones.
const FINEST: f64 = 1.0 / 24.0;

/// The ages in days of the kept generations, rising from 0, the newest.
#[derive(Debug, Clone, PartialEq)]
pub struct KeptAges {
    ages: Vec<f64>,
    /// How far the rules reach back; nothing without rules.
    pub reach: Option<f64>,
}

impl KeptAges {
    /// `cadence` is the usual time between runs in days: no rule keeps more than was made. Beyond what the rules
    /// reach, the one that reaches furthest is taken on, so that a longer reach can be reckoned.
    pub fn of(rules: &[KeepRule], cadence: f64) -> Self {
        let cadence = cadence.max(FINEST);
        let horizon = f64::from(HORIZON_DAYS);
        let furthest = rules.iter().max_by_key(|rule| rule.span.seconds());
        let mut ages = vec![0.0];
        for rule in rules {
            let end = if Some(rule) == furthest {
                horizon
            } else {
                days(rule.span).min(horizon)
            };
            push_steps(&mut ages, days(rule.every).max(cadence), end);
        }
        if rules.is_empty() {
            push_steps(&mut ages, cadence, horizon);
        }
        ages.sort_unstable_by(f64::total_cmp);
        // two rules that keep the same one
        ages.dedup_by(|second, first| *second - *first < cadence / 2.0);
        Self {
            ages,
            reach: furthest.map(|rule| days(rule.span)),
        }
    }

    /// The times between one kept generation and the next older one, and how old the newer of them is; the last
    /// is cut at `reach`.
    pub fn gaps(&self, reach: f64) -> impl Iterator<Item = (f64, f64)> {
        let ends = self.ages[1..].iter().copied().chain([f64::INFINITY]);
        let gaps = self.ages.iter().copied().zip(ends);
        gaps.take_while(move |(newer, _)| *newer < reach)
            .map(move |(newer, older)| (older - newer, older.min(reach) - newer))
    }
}

fn push_steps(ages: &mut Vec<f64>, step: f64, end: f64) {
    let mut age = step;
    while age < end {
        ages.push(age);
        age += step;
    }
}

/// A span in days of 24 hours.
#[expect(clippy::cast_precision_loss, reason = "at most 1000 years of seconds")]
pub fn days(span: Span) -> f64 {
    span.seconds() as f64 / 86_400.0
}

#[cfg(test)]
mod tests {
    use super::*;

    pub fn rule(every: &str, span: &str) -> KeepRule {
        KeepRule {
            every: Span::parse(every).unwrap(),
            span: Span::parse(span).unwrap(),
        }
    }

    #[test]
    fn rules_thin_what_is_older() {
        let kept = KeptAges::of(&[rule("1 day", "1 week"), rule("1 week", "4 weeks")], 1.0);
        let first: Vec<f64> = kept.ages.iter().copied().take(11).collect();
        assert_eq!(
            first,
            [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 14.0, 21.0, 28.0]
        );
        assert_eq!(kept.reach, Some(28.0));
        let gaps: Vec<f64> = kept.gaps(16.0).map(|(_, cut)| cut).collect();
        assert_eq!(gaps, [1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 7.0, 2.0]);
    }

    #[test]
    fn a_rule_keeps_no_more_than_was_made() {
        let daily = KeptAges::of(&[rule("1 hour", "1 week")], 1.0);
        assert_eq!(daily.ages[1], 1.0);
        assert_eq!(KeptAges::of(&[], 7.0).ages[..3], [0.0, 7.0, 14.0]);
        assert_eq!(KeptAges::of(&[], 7.0).reach, None);
    }
}
