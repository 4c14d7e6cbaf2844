//! What a job needs and how far it reaches, likely and at the ends of the intervals.

use super::ages::{KeptAges, days};
use super::demand::{Demand, Holding};
use super::filling::bytes;
use super::growth::{Estimate, HORIZON_DAYS};
use super::history::{AskedBy, Limit, Reach, Reckoned, Situation, Wanted};
use super::series::days_between;

/// The likely demand, and those of the ends of the intervals.
pub struct Demands {
    likely: Demand,
    low: Demand,
    high: Demand,
}

impl Demands {
    pub fn of(
        holding: Holding,
        [growth, changes]: [Estimate; 2],
        copy: f64,
        reach_now: f64,
    ) -> Self {
        // what is new and does not make the source larger has taken the place of something older
        let demand = |growth: f64, gone: f64| Demand {
            holding,
            copy,
            beside: 0.0,
            growth,
            gone,
            share: 1.0,
            reach_now,
        };
        Self {
            likely: demand(growth.likely, changes.likely - growth.likely),
            low: demand(growth.low, changes.low - growth.high),
            high: demand(growth.high, changes.high - growth.low),
        }
    }

    /// Holds the bound against what the generations that are there were measured to take. Longer gaps, in which
    /// a file changes more often, make the share smaller.
    pub fn measured(mut self, situation: &Situation) -> Self {
        let Some(used) = situation.used else {
            return self;
        };
        let mut names = situation.generations.to_vec();
        names.sort_unstable();
        let gaps = names
            .windows(2)
            .map(|pair| days_between(pair[0].instant(), pair[1].instant()));
        let held = bytes(used) - self.likely.copy;
        let bound = self.likely.bound(gaps.map(|gap| (gap, gap)));
        let share = if bound > 0.0 {
            (held / bound).clamp(SMALLEST_SHARE, 1.0)
        } else {
            1.0
        };
        for demand in [&mut self.likely, &mut self.low, &mut self.high] {
            demand.share = share;
            demand.beside = (held - bound).max(0.0);
        }
        self
    }

    pub fn reach(&self, ages: &KeptAges, situation: &Situation) -> Reach {
        let rules = ages
            .reach
            .unwrap_or(f64::INFINITY)
            .min(f64::from(HORIZON_DAYS));
        let used = situation
            .used
            .map_or_else(|| self.likely.space(ages, self.likely.reach_now), bytes);
        let within = |demand: &Demand| {
            let in_space =
                |space: Option<f64>| space.map_or(f64::INFINITY, |space| demand.reach(ages, space));
            let by_cap = in_space(situation.cap.map(bytes));
            let by_drive = in_space(situation.room.map(|room| used + bytes(room)));
            let space = by_cap.min(by_drive);
            let limit = match () {
                () if rules <= space && ages.reach.is_some_and(|reach| reach <= rules) => {
                    Limit::KeepRules
                }
                () if space >= f64::from(HORIZON_DAYS) => Limit::None,
                () if by_cap <= by_drive => Limit::Cap,
                () => Limit::Drive,
            };
            (rules.min(space), limit)
        };
        let (likely, limit) = within(&self.likely);
        Reach {
            days: Estimate {
                likely,
                low: within(&self.high).0,
                high: within(&self.low).0,
            },
            limit,
        }
    }

    pub fn wanted(&self, ages: &KeptAges, situation: &Situation) -> Option<Wanted> {
        let (wanted, asked_by) = match situation.wanted {
            Some(span) => (days(span), AskedBy::Hand),
            None => (ages.reach?, AskedBy::KeepRules),
        };
        Some(Wanted {
            days: wanted,
            asked_by,
            is_beyond_rules: ages.reach.is_some_and(|reach| wanted > reach),
            needed_cap: Estimate {
                likely: self.likely.space(ages, wanted),
                low: self.low.space(ages, wanted),
                high: self.high.space(ages, wanted),
            },
            reckoned_from: if situation.used.is_some() && situation.generations.len() > 1 {
                Reckoned::Measured
            } else {
                Reckoned::Changes
            },
        })
    }
}

/// A folder that seems to hold next to nothing was cleaned up, or its files grow and never change.
const SMALLEST_SHARE: f64 = 0.05;
