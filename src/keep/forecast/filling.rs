//! When a drive reaches its reserve, and when it is full.

use jiff::{SignedDuration, Timestamp};
use serde::Serialize;

use super::growth::{Arrival, Estimate, Growth};
use super::series::{Basis, Series};

/// A drive as a run left it, in bytes.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DriveFigures {
    pub at: Timestamp,
    pub total: u64,
    pub free: u64,
}

/// The use of one drive over time, whichever job's run told of it.
#[derive(Debug, Clone, Default)]
pub struct DriveSeries {
    used: Series,
    last: Option<DriveFigures>,
}

/// How a drive fills. Bytes; times are absent where they are more than ten years away.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Filling {
    pub basis: Basis,
    /// When a run last saw it.
    pub seen: Option<Timestamp>,
    pub outlook: Outlook,
    /// Bytes a day; absent while too little is known.
    pub per_day: Option<Estimate>,
    /// When only the reserve is left.
    pub at_reserve: Moments,
    pub full: Moments,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outlook {
    TooLittleKnown,
    /// No more than the reserve was left when it was last seen.
    AtReserve,
    Fills,
    /// It grows, or may, but is not likely to be full within ten years.
    NotWithinTenYears,
    /// All of the interval is below nothing.
    Shrinks,
}

/// The likely moment and the 95 % interval about it.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize)]
pub struct Moments {
    pub earliest: Option<Timestamp>,
    pub likely: Option<Timestamp>,
    pub latest: Option<Timestamp>,
}

impl DriveSeries {
    /// What a run found, in the order of time. Another size is another drive: the series begins anew. A little more
    /// or less is the file system's own reckoning.
    pub fn add(&mut self, figures: DriveFigures) {
        if self
            .last
            .is_some_and(|last| is_other_size(last.total, figures.total))
        {
            self.used = Series::default();
        }
        self.used.add(
            figures.at,
            bytes(figures.total.saturating_sub(figures.free)),
        );
        self.last = Some(figures);
    }

    pub fn last(&self) -> Option<DriveFigures> {
        self.last
    }

    /// With `reserve` bytes always left free.
    pub fn filling(&self, reserve: u64) -> Filling {
        let mut filling = Filling {
            basis: self.used.basis(),
            seen: self.last.map(|last| last.at),
            outlook: Outlook::TooLittleKnown,
            per_day: None,
            at_reserve: Moments::default(),
            full: Moments::default(),
        };
        let Some(last) = self.last else {
            return filling;
        };
        let is_at_reserve = last.free <= reserve;
        if is_at_reserve {
            filling.outlook = Outlook::AtReserve;
            filling.at_reserve = Moments::all(last.at);
        }
        let Some(growth) = Growth::of(&self.used, bytes(last.total)) else {
            return filling;
        };
        filling.per_day = Some(growth.per_day);
        filling.full = Moments::after(last.at, growth.until(bytes(last.free)));
        if is_at_reserve {
            return filling;
        }
        let room = last.free - reserve;
        filling.at_reserve = Moments::after(last.at, growth.until(bytes(room)));
        filling.outlook = match filling.at_reserve.likely {
            Some(_) => Outlook::Fills,
            None if growth.per_day.high < 0.0 => Outlook::Shrinks,
            None => Outlook::NotWithinTenYears,
        };
        filling
    }
}

/// More than a hundredth apart.
fn is_other_size(before: u64, now: u64) -> bool {
    before.abs_diff(now) > before / 100
}

impl Moments {
    fn all(at: Timestamp) -> Self {
        Self {
            earliest: Some(at),
            likely: Some(at),
            latest: Some(at),
        }
    }

    fn after(at: Timestamp, arrival: Arrival) -> Self {
        let moment = |days: Option<f64>| {
            let apart = SignedDuration::try_from_secs_f64(days? * 86_400.0).ok()?;
            at.checked_add(apart).ok()
        };
        Self {
            earliest: moment(arrival.earliest),
            likely: moment(arrival.likely),
            latest: moment(arrival.latest),
        }
    }
}

/// Exact up to 9 PB, and near enough beyond.
#[expect(
    clippy::cast_precision_loss,
    reason = "a forecast does not hang on single bytes"
)]
pub(super) fn bytes(amount: u64) -> f64 {
    amount as f64
}

#[cfg(test)]
#[path = "filling_tests.rs"]
mod tests;
