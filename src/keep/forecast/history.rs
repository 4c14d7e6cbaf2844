//! What changes in a job's source, how far back its history reaches, and what cap a wanted reach needs.

use jiff::Timestamp;
use serde::Serialize;

use super::ages::KeptAges;
use super::demand::Holding;
use super::demands::Demands;
use super::filling::bytes;
use super::growth::{Estimate, Growth};
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

#[cfg(test)]
#[path = "history_tests.rs"]
mod tests;

#[cfg(test)]
#[path = "reach_tests.rs"]
mod reach_tests;
