//! How far a part of re-reading has come, kept in the record while it goes on.

use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use crate::jobs::Name;
use crate::prove::verify::Sum;
use crate::record::{Place, Round, Store};

/// How often the place is written down: so much is read again after a kill.
const KEEP_EVERY: Duration = Duration::from_secs(1);

/// Writes the place down while readers go on, so that a kill costs little.
pub struct PlaceKeeper<'a> {
    drive: &'a Name,
    state: Mutex<Kept>,
}

struct Kept {
    store: Store,
    /// Before the copy that is read now.
    base: Round,
    now: Option<(Place, u64, u64)>,
    /// The place waits for what was found to be recorded: after a kill that stretch is read again.
    has_findings: bool,
    written: Instant,
}

impl<'a> PlaceKeeper<'a> {
    pub fn new(store: Store, drive: &'a Name, round: Round) -> Self {
        let state = Kept {
            store,
            base: round,
            now: None,
            has_findings: false,
            written: Instant::now(),
        };
        Self {
            drive,
            state: Mutex::new(state),
        }
    }

    pub fn heed(&self, place: &Place, sum: &Sum) {
        let mut kept = self.state.lock().unwrap_or_else(PoisonError::into_inner);
        let other = |(old, _, _): &(Place, u64, u64)| old.generation != place.generation;
        if kept.now.as_ref().is_some_and(other) {
            kept.base = kept.round();
        }
        kept.now = Some((place.clone(), sum.files, sum.bytes));
        kept.has_findings |= sum.found.all() > 0;
        if kept.has_findings || kept.written.elapsed() < KEEP_EVERY {
            return;
        }
        kept.written = Instant::now();
        let round = kept.round();
        if let Err(error) = kept.store.put_round(self.drive, &round) {
            tracing::warn!("{error}");
        }
    }
}

impl Kept {
    fn round(&self) -> Round {
        let mut round = self.base.clone();
        let Some((place, files, bytes)) = &self.now else {
            return round;
        };
        let same = round
            .place
            .as_ref()
            .is_some_and(|old| old.job == place.job && old.generation == place.generation);
        if !same {
            round.in_copy = 0;
        }
        round.files += files;
        round.bytes += bytes;
        round.in_copy += bytes;
        round.place = Some(place.clone());
        round
    }
}
