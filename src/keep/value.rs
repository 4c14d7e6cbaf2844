//! What a generation is worth to the person who may want it back. Our rule; no source.
//!
//! How much a generation would be missed is the gap that it would leave, for its age: somebody who looks for what was
//! there yesterday minds a gap of a day, somebody who looks for what was there last year does not. So ages are compared
//! by their ratio, and where generations go by this alone, those that stay lie evenly on a logarithmic scale of
//! age: the recent ones dense, the old ones far apart, and the oldest reaching back far.
//!
//! Against it stands the room that its removal gives back, measured in what others give back and by its logarithm, so
//! that one that holds a great deal alone goes early, but old ones do not all go merely because much has changed since.

use jiff::{SignedDuration, Timestamp};

/// Ages are counted as so much more: within the last day or so gaps are compared by their length.
const SOFTENED_BY: SignedDuration = SignedDuration::from_hours(24);

/// With 1, the oldest would always go first, since gaps narrow with age; with 3, the first one of all would stay
/// while those behind it thin out to nothing. With 2, where every night holds as much alone, history reaches
/// back twice as far as if the oldest went first, and its gaps widen evenly; where files are replaced at random, the
/// oldest holds most alone, and the reach is the same (`forecast/reach_tests.rs`).
const BEHIND: f64 = 2.0;

/// A generation between its neighbours.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    pub newer: Timestamp,
    pub own: Timestamp,
    /// `None` for the oldest.
    pub older: Option<Timestamp>,
}

impl Place {
    /// How much it would be missed at `now`: the natural logarithm of the ratio of its neighbours' ages. Behind the
    /// oldest the gap is endless; it counts [`BEHIND`] times that to its newer neighbour.
    pub fn missed(self, now: Timestamp) -> f64 {
        let age = |instant: Timestamp| {
            let age = now.duration_since(instant).max(SignedDuration::ZERO);
            (age + SOFTENED_BY).as_secs_f64()
        };
        match self.older {
            Some(older) => (age(older) / age(self.newer)).ln(),
            None => (1.0 + BEHIND) * (age(self.own) / age(self.newer)).ln(),
        }
    }
}

/// What it is worth to keep: how much it is missed, for the room it takes alone. `usual` is the median of what
/// those that may go take alone. What gives nothing back is worth keeping whatever it is.
pub fn value(missed: f64, alone: u64, usual: u64) -> f64 {
    if alone == 0 {
        return f64::INFINITY;
    }
    let ratio = as_float(alone) / as_float(usual.max(1));
    missed / (1.0 + ratio).log2()
}

/// Exact up to 2^53 bytes, which is 9 petabytes; above that near enough to compare.
#[expect(clippy::cast_precision_loss)]
fn as_float(bytes: u64) -> f64 {
    bytes as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(ago: i64) -> Timestamp {
        now() - SignedDuration::from_hours(24 * ago)
    }

    fn now() -> Timestamp {
        "2026-11-25T03:00:00Z".parse().expect("an RFC 3339 time")
    }

    fn missed(newer: i64, own: i64, older: Option<i64>) -> f64 {
        let place = Place {
            newer: day(newer),
            own: day(own),
            older: older.map(day),
        };
        place.missed(now())
    }

    #[test]
    fn the_same_gap_is_missed_less_the_longer_ago_it_is() {
        for ago in 1..400 {
            let (young, old) = (
                missed(ago - 1, ago, Some(ago + 1)),
                missed(ago, ago + 1, Some(ago + 2)),
            );
            assert!(young > old, "{ago}");
        }
    }

    #[test]
    fn gaps_in_the_same_ratio_to_age_are_missed_alike() {
        // ages of 1, 3, 7, 15 and 31 days, each counted a day more: twice the one before
        let between = [missed(1, 3, Some(7)), missed(7, 15, Some(31))];
        for one in between {
            assert!((one - 4_f64.ln()).abs() < 1e-9, "{between:?}");
        }
        let oldest = missed(7, 15, None);
        assert!((oldest - 8_f64.ln()).abs() < 1e-9, "{oldest}");
    }

    #[test]
    fn what_holds_much_alone_is_worth_less_and_what_holds_nothing_is_not_for_going() {
        assert!(value(0.5, 100, 100) > value(0.5, 200, 100));
        assert!(value(0.5, 200, 100) > value(0.5, 1_000_000, 100));
        assert!(value(0.0, 0, 100) > value(9.0, 1, 100));
        // the usual amount leaves the value as it is
        assert!((value(0.5, 100, 100) - 0.5).abs() < 1e-9);
    }
}
