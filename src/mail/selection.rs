//! Which runs are mailed.

use crate::jobs::SendWhen;
use crate::record::Outcome;

/// Whether a run with this outcome is mailed; trouble is everything that is not well.
pub fn is_mailed(send: SendWhen, outcome: Outcome) -> bool {
    match send {
        SendWhen::Always => true,
        SendWhen::Trouble => !outcome.is_well(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn trouble_means_every_outcome_that_is_not_well() {
        assert!(is_mailed(SendWhen::Always, Outcome::Well));
        assert!(!is_mailed(SendWhen::Trouble, Outcome::Well));
        assert!(!is_mailed(SendWhen::Trouble, Outcome::WellWithNotes));
        for outcome in [
            Outcome::Failed,
            Outcome::Missed,
            Outcome::Busy,
            Outcome::Guarded,
        ] {
            assert!(is_mailed(SendWhen::Trouble, outcome), "{outcome:?}");
        }
    }
}
