//! What there is of a job: the record, the drive's catalogue and the drive itself, brought together.

use tracing::warn;

use crate::record::{Generation, Owner, Reconciled, State, Store, StoreError, reconcile};
use crate::system::Asked;
use crate::system::job_folder::Listing;

/// The generations of a job, as far as they are known.
#[derive(Debug, Default)]
pub struct Account {
    /// Newest first, retired ones too.
    pub known: Vec<Generation>,
    /// What killed runs left in the job's folder.
    pub leftovers: Vec<String>,
    pub notes: Vec<String>,
}

impl Account {
    /// The generations that can be restored from, and a mirror that is being updated.
    pub fn whole(&self) -> Vec<Generation> {
        let there = self.known.iter().filter(|one| one.state != State::Retired);
        there.cloned().collect()
    }

    /// For a run: what one list lacks is put into the other. Without the drive, only the record speaks.
    pub fn of_run(store: &Store, asked: Asked, listing: Option<&Listing>) -> Self {
        Self::of_both(store, asked, listing, |reconciled| {
            bring_in(store, asked, reconciled)
        })
    }

    /// For those who only look, maybe while a run is under way: as [`Account::of_run`], and nothing is written.
    pub fn of_look(store: &Store, asked: Asked, listing: Option<&Listing>) -> Self {
        Self::of_both(store, asked, listing, |_| Ok(()))
    }

    fn of_both(
        store: &Store,
        asked: Asked,
        listing: Option<&Listing>,
        keep: impl FnOnce(&Reconciled) -> Result<(), StoreError>,
    ) -> Self {
        let (server, job, drive) = (asked.server, &asked.job.name, &asked.drive.name);
        let recorded = store
            .generations_and_retired(drive, server, job)
            .unwrap_or_else(|error| {
                warn!("{error}");
                Vec::new()
            });
        let Some(listing) = listing else {
            return Self {
                known: recorded,
                ..Self::default()
            };
        };
        let mut account = Self::reconciled(asked, &recorded, listing, keep);
        account.notes.extend(listing.troubles.iter().cloned());
        account
    }

    /// For a dry run: the drive alone, and nothing is written.
    pub fn of_drive(asked: Asked, listing: Option<&Listing>) -> Self {
        listing.map_or_else(Self::default, |listing| {
            Self::reconciled(asked, &[], listing, |_| Ok(()))
        })
    }

    fn reconciled(
        asked: Asked,
        recorded: &[Generation],
        listing: &Listing,
        keep: impl FnOnce(&Reconciled) -> Result<(), StoreError>,
    ) -> Self {
        let owner = Owner {
            server: asked.server.clone(),
            job: asked.job.name.clone(),
            kind: asked.job.kind.name(),
        };
        let mut reconciled = reconcile(&owner, recorded, &listing.catalogue, &listing.found);
        if let Err(error) = keep(&reconciled) {
            reconciled.notes.push(error.to_string());
        }
        Self {
            known: reconciled.generations,
            leftovers: reconciled.leftovers,
            notes: reconciled.notes,
        }
    }
}

/// Writes into the record what only the drive knew, and forgets what is gone from the drive.
fn bring_in(store: &Store, asked: Asked, reconciled: &Reconciled) -> Result<(), StoreError> {
    let drive = &asked.drive.name;
    if !reconciled.add_to_store.is_empty() {
        store.put_generations(drive, &reconciled.add_to_store)?;
    }
    if !reconciled.missing.is_empty() {
        store.forget_generations(drive, asked.server, &asked.job.name, &reconciled.missing)?;
    }
    Ok(())
}
