//! What changes in a job's source, how far back its history reaches, and what cap a wanted reach needs.

use jiff::Timestamp;
use serde::Serialize;

use super::ages::{KeptAges, days};
use super::demand::{Demand, Holding};
use super::filling::bytes;
use super::growth::{Estimate, Growth, HORIZON_DAYS};
use super::series::{Basis, Series, days_between};
use crate::jobs::{KeepRule, Span};
use crate::record::GenerationName;

/// What one good run found, in bytes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct JobFigures {
    pub at: Timestamp,
    /// Length of all files of the source.
    pub source: u64,
    /// What was new and changed, or the length of the archive.
    pub new: u64,
}

/// The source of one job over time.
#[derive(Debug, Clone)]
pub struct JobSeries {
    holding: Holding,
    copy: Series,
    changed: Series,
    changed_so_far: f64,
}

impl JobSeries {
    pub fn new(holding: Holding) -> Self {
        Self {
            holding,
            copy: Series::default(),
            changed: Series::default(),
            changed_so_far: 0.0,
        }
    }

    /// In the order of time.
    pub fn add(&mut self, figures: JobFigures) {
        match self.holding {
            Holding::Whole => self.copy.add(figures.at, bytes(figures.new)),
            Holding::Differences => {
                self.copy.add(figures.at, bytes(figures.source));
                // all of the first copy is new, and nothing of it has changed
                if self.changed.last().is_some() {
                    self.changed_so_far += bytes(figures.new);
                }
                self.changed.add(figures.at, self.changed_so_far);
            }
        }
    }
}

/// How a job stands.
#[derive(Debug, Clone, Copy)]
pub struct Situation<'a> {
    pub now: Timestamp,
    pub rules: &'a [KeepRule],
    pub cap: Option<u64>,
    /// What its folder took when that was last measured.
    pub used: Option<u64>,
    /// What the drive has free beyond its reserve, where that is known.
    pub room: Option<u64>,
    /// The whole generations that are there.
    pub generations: &'a [GenerationName],
    /// The reach that was asked for, rather than that of the rules.
    pub wanted: Option<Span>,
}

/// What is known and foretold of a job's history. Bytes and days.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HistoryOutlook {
    pub basis: Basis,
    /// Whether a generation holds all of the source, or its differences from the next.
    pub holds: Holding,
    /// What one copy takes; absent before the first.
    pub copy: Option<f64>,
    pub copy_growth: Option<Estimate>,
    /// New and changed bytes a day; absent for archives.
    pub changes: Option<Estimate>,
    pub generations: usize,
    /// The age of the oldest generation.
    pub reach_now: Option<f64>,
    /// How far back history will come to reach.
    pub reach: Option<Reach>,
    pub cap: Option<u64>,
    pub wanted: Option<Wanted>,
    /// Twice what one copy takes: "at least twice the source gives months" is common practice without a source.
    pub common_practice_cap: Option<f64>,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Reach {
    pub days: Estimate,
    pub limit: Limit,
}

/// What keeps history from reaching further back.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Limit {
    KeepRules,
    Cap,
    Drive,
    /// Nothing within ten years.
    None,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Wanted {
    pub days: f64,
    pub asked_by: AskedBy,
    /// The keep rules retire everything before it is so old.
    pub is_beyond_rules: bool,
    pub needed_cap: Estimate,
    pub reckoned_from: Reckoned,
}

/// What the space for older generations is reckoned from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Reckoned {
    /// All changes, as if none were held once for several: an upper bound.
    Changes,
    /// What of the changes the generations that are there were measured to hold.
    Measured,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum AskedBy {
    Hand,
    KeepRules,
}

impl HistoryOutlook {
    pub fn of(series: &JobSeries, situation: &Situation) -> Self {
        let copy = series.copy.last().map(|(_, copy)| copy);
        let oldest = situation.generations.iter().min();
        let mut outlook = Self {
            basis: series.copy.basis(),
            holds: series.holding,
            copy,
            copy_growth: None,
            changes: None,
            generations: situation.generations.len(),
            reach_now: oldest.map(|name| days_between(name.instant(), situation.now).max(0.0)),
            reach: None,
            cap: situation.cap,
            wanted: None,
            common_practice_cap: copy.map(|copy| 2.0 * copy),
        };
        let Some(copy) = copy else { return outlook };
        let growth = Growth::of(&series.copy, copy).map(|growth| growth.per_day);
        let changes =
            Growth::of(&series.changed, copy).map(|growth| not_below_nothing(growth.per_day));
        outlook.copy_growth = growth;
        outlook.changes = changes;
        let steady = Estimate {
            likely: 0.0,
            low: 0.0,
            high: 0.0,
        };
        let (Some(growth), Some(changes)) = (
            growth,
            match series.holding {
                Holding::Differences => changes,
                Holding::Whole => Some(steady),
            },
        ) else {
            return outlook;
        };
        let ages = KeptAges::of(situation.rules, cadence(outlook.basis));
        let reach_now = outlook.reach_now.unwrap_or(0.0);
        let demands =
            Demands::of(series.holding, [growth, changes], copy, reach_now).measured(situation);
        outlook.reach = Some(demands.reach(&ages, situation));
        outlook.wanted = demands.wanted(&ages, situation);
        outlook
    }
}

/// The usual time between runs, in days.
fn cadence(basis: Basis) -> f64 {
    let gaps = u32::try_from(basis.runs.saturating_sub(1)).unwrap_or(u32::MAX);
    basis.days / f64::from(gaps.max(1))
}

/// A sum of what was new never falls, whatever the arithmetic of its interval.
fn not_below_nothing(rate: Estimate) -> Estimate {
    Estimate {
        likely: rate.likely.max(0.0),
        low: rate.low.max(0.0),
        high: rate.high.max(0.0),
    }
}

/// The likely demand, and those of the ends of the intervals.
struct Demands {
    likely: Demand,
    low: Demand,
    high: Demand,
}

impl Demands {
    fn of(holding: Holding, [growth, changes]: [Estimate; 2], copy: f64, reach_now: f64) -> Self {
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
    fn measured(mut self, situation: &Situation) -> Self {
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

    fn reach(&self, ages: &KeptAges, situation: &Situation) -> Reach {
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

    fn wanted(&self, ages: &KeptAges, situation: &Situation) -> Option<Wanted> {
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

#[cfg(test)]
#[path = "history_tests.rs"]
mod tests;
