//! Why a run must not begin, or not go on.

use serde::Serialize;

use crate::record::Outcome;

/// A named end, with words for a person: what happened, and what to do.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Stop {
    pub outcome: Outcome,
    pub reason: String,
    pub advice: Vec<String>,
}

impl Stop {
    pub fn new(outcome: Outcome, reason: impl Into<String>) -> Self {
        Self {
            outcome,
            reason: reason.into(),
            advice: Vec::new(),
        }
    }

    #[must_use]
    pub fn advise(mut self, advice: impl Into<String>) -> Self {
        self.advice.push(advice.into());
        self
    }
}

/// What a person has allowed, once, for this run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Allowance {
    /// The change guard holds.
    Usual,
    /// `--accept-changes`: the person has looked, and the change is meant.
    AcceptChanges,
}
