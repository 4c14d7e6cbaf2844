//! What the generations of a job take: from the ledger where it tells of just these, measured where it does not.

use std::collections::BTreeSet;

use crate::jobs::Name;
use crate::keep::{Ledger, SpaceMap};
use crate::plan::Landing;
use crate::record::{GenerationName, Store, StoreError};
use crate::system::remote_drive::ask_remote;
use crate::system::tree_use::{TreeUse, from_find_output, measure};
use crate::tools::find;

/// Nights booked in a ledger before everything is measured anew: what a person did by hand on the drive
/// is not booked.
const MEASURE_AFTER: u32 = 30;

/// The ledger of one job on one drive.
#[derive(Debug, Clone, Copy)]
pub struct Books<'a> {
    pub store: &'a Store,
    pub server: &'a Name,
    pub job: &'a Name,
    pub landing: &'a Landing,
}

impl Books<'_> {
    /// What these whole generations take by the ledger; `None` where it does not tell of just these, or was
    /// measured too long ago.
    pub fn booked(&self, generations: &BTreeSet<GenerationName>) -> Option<SpaceMap> {
        let ledger = self.ledger().ok().flatten()?;
        let tells = ledger.is_of(generations) && ledger.nights() < MEASURE_AFTER;
        tells.then(|| ledger.to_space_map())
    }

    /// As [`Books::booked`], or else measured and put into a new ledger.
    ///
    /// # Errors
    /// Why it could not be measured, in words.
    pub fn booked_or_measured(
        &self,
        generations: &BTreeSet<GenerationName>,
    ) -> Result<SpaceMap, String> {
        if let Some(space) = self.booked(generations) {
            return Ok(space);
        }
        let measured = use_of(self.landing)?;
        let newest = generations
            .last()
            .and_then(|newest| measured.own.get(newest));
        let own = newest.copied().unwrap_or(0);
        if let Some(ledger) = Ledger::of(&measured.space, generations.iter().copied(), own) {
            self.put(&ledger).map_err(|error| error.to_string())?;
        }
        Ok(measured.space)
    }

    /// Strikes off what is not among the whole generations any more.
    ///
    /// # Errors
    /// When the record cannot be read or written.
    pub fn keep_only(&self, generations: &BTreeSet<GenerationName>) -> Result<(), StoreError> {
        let Some(mut ledger) = self.ledger()? else {
            return Ok(());
        };
        if ledger.is_of(generations) {
            return Ok(());
        }
        ledger.keep_only(generations);
        self.put(&ledger)
    }

    fn ledger(&self) -> Result<Option<Ledger>, StoreError> {
        self.store
            .ledger(&self.landing.drive, self.server, self.job)
    }

    fn put(&self, ledger: &Ledger) -> Result<(), StoreError> {
        self.store
            .put_ledger(&self.landing.drive, self.server, self.job, ledger)
    }
}

/// What the job's folder takes, what is shared counted once: looks at every file.
///
/// # Errors
/// Why it could not be measured, in words.
pub fn use_of(landing: &Landing) -> Result<TreeUse, String> {
    match landing.ssh() {
        None => measure(&landing.path()).map_err(|error| error.to_string()),
        Some(line) => {
            let answer = ask_remote(line, &find::inodes_under(&landing.path()))
                .map_err(|stop| stop.reason)?;
            Ok(from_find_output(&answer.stdout))
        }
    }
}
