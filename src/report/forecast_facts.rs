//! What there is to say about what is to come. Filled by the reader of the record, worded here.

use jiff::{SignedDuration, Timestamp};
use serde::Serialize;

use super::forecast_words::reserve_line;
use crate::jobs::{KindName, Name};
use crate::keep::forecast::{DriveFigures, Filling, HistoryOutlook, Outlook};

/// A drive that is likely to be at its reserve so soon needs a person.
const SOON: SignedDuration = SignedDuration::from_hours(30 * 24);

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ForecastFacts {
    pub server: Name,
    pub now: Timestamp,
    /// Of 100 intervals so many hold what comes, if things go on as they did.
    pub level: u32,
    /// What a person has to look at; empty when nothing.
    pub attention: Vec<String>,
    pub drives: Vec<DriveForecast>,
    pub jobs: Vec<JobForecast>,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DriveForecast {
    pub name: Name,
    /// As the last run left it, in bytes.
    pub space: Option<SpaceSeen>,
    pub reserve: u64,
    pub filling: Filling,
}

/// In bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct SpaceSeen {
    pub total: u64,
    pub free: u64,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct JobForecast {
    pub name: Name,
    pub kind: KindName,
    pub drive: Name,
    pub history: HistoryOutlook,
}

impl ForecastFacts {
    /// Whether the exit code of `hayloft forecast` should say that a person is needed.
    pub fn needs_attention(&self) -> bool {
        !self.attention.is_empty()
    }
}

impl DriveForecast {
    /// At its reserve, or likely to be within 30 days.
    pub fn is_soon_full(&self, now: Timestamp) -> bool {
        match self.filling.outlook {
            Outlook::AtReserve => true,
            _ => self
                .filling
                .at_reserve
                .likely
                .is_some_and(|at| at.duration_since(now) <= SOON),
        }
    }

    /// What a person is told who has to do something about it.
    pub fn attention(&self, now: Timestamp) -> Option<String> {
        self.is_soon_full(now)
            .then(|| format!("{}: {}", self.name, reserve_line(self, now)))
    }
}

impl From<DriveFigures> for SpaceSeen {
    fn from(seen: DriveFigures) -> Self {
        Self {
            total: seen.total,
            free: seen.free,
        }
    }
}
