//! The database `hayloft.db` in `state_dir`: runs, generations, handled times and alarms.
//!
//! `SQLite` in WAL mode with `synchronous = FULL`: what a call has returned from survives a power cut
//! (sqlite.org, "PRAGMA synchronous"). Several processes may have it open. A damaged file is set aside,
//! never overwritten, and [`Store::open`] says so.

mod alarms;
mod check;
mod error;
mod figures;
mod files;
mod generations;
mod handled;
mod ledgers;
mod migrations;
mod open;
mod proofs;
mod prune;
mod rounds;
mod runs;
mod set_aside;

use std::path::Path;

use jiff::Timestamp;
use rusqlite::{Connection, Transaction, TransactionBehavior};

pub use alarms::{Alarm, AlarmChange};
pub use error::StoreError;
pub use figures::RunFigures;
pub use prune::Pruned;
pub use rounds::{Mark, Round};
pub use runs::RunFilter;

/// An open database.
#[derive(Debug)]
pub struct Store {
    connection: Connection,
    files: files::Files,
    /// Device and inode of the file that was opened.
    identity: (u64, u64),
}

impl Store {
    /// Open the database in `state_dir`, creating folder and file as needed.
    ///
    /// The notes say what was found wrong and put right, such as a damaged database that was set
    /// aside. They are also kept as an alarm, [`Store::DAMAGED_ALARM`], so that they reach a person
    /// whichever command opened it.
    ///
    /// # Errors
    /// When the folder cannot be written, another program's database is in the way, or a newer version of
    /// hayloft made it; the last two are left untouched.
    pub fn open(state_dir: &Path) -> Result<(Self, Vec<String>), StoreError> {
        Self::open_at(state_dir, Timestamp::now())
    }

    /// [`Store::open`], by the caller's clock: `now` names what is set aside and dates the alarm.
    pub fn open_at(state_dir: &Path, now: Timestamp) -> Result<(Self, Vec<String>), StoreError> {
        open::open(state_dir, now)
    }

    /// The key of the alarm raised when a damaged database was set aside.
    pub const DAMAGED_ALARM: &str = "record-damaged";

    /// A write, whole or not at all. Refused when the file was set aside by another process meanwhile.
    fn write<T>(
        &self,
        doing: &'static str,
        change: impl FnOnce(&Connection) -> rusqlite::Result<T>,
    ) -> Result<T, StoreError> {
        if self.files.identity().ok() != Some(self.identity) {
            return Err(StoreError::Replaced {
                path: self.files.database.clone(),
            });
        }
        let change = || {
            let immediate = TransactionBehavior::Immediate;
            let transaction = Transaction::new_unchecked(&self.connection, immediate)?;
            let result = change(&transaction)?;
            transaction.commit()?;
            Ok(result)
        };
        change().map_err(|error| self.failed(doing, error))
    }

    fn read<T>(
        &self,
        doing: &'static str,
        query: impl FnOnce(&Connection) -> rusqlite::Result<T>,
    ) -> Result<T, StoreError> {
        query(&self.connection).map_err(|error| self.failed(doing, error))
    }

    /// Damage met in use makes the next opening check the whole file.
    fn failed(&self, doing: &'static str, source: rusqlite::Error) -> StoreError {
        if check::is_damage(&source) {
            self.files.doubt();
        }
        StoreError::Sql {
            path: self.files.database.clone(),
            doing,
            source,
        }
    }
}

/// Microseconds since 1970, by which rows are sorted and compared.
fn micros(instant: Timestamp) -> i64 {
    instant.as_microsecond()
}

/// A stored RFC 3339 time.
fn instant(row: &rusqlite::Row<'_>, column: usize) -> rusqlite::Result<Timestamp> {
    let text: String = row.get(column)?;
    text.parse().map_err(|error: jiff::Error| {
        let kind = rusqlite::types::Type::Text;
        rusqlite::Error::FromSqlConversionFailure(column, kind, Box::new(error))
    })
}

/// A stored JSON value.
fn json<T: serde::de::DeserializeOwned>(
    row: &rusqlite::Row<'_>,
    column: usize,
) -> rusqlite::Result<T> {
    let text: String = row.get(column)?;
    serde_json::from_str(&text).map_err(|error| {
        let kind = rusqlite::types::Type::Text;
        rusqlite::Error::FromSqlConversionFailure(column, kind, Box::new(error))
    })
}

/// The JSON text of a value to be stored.
fn to_json<T: serde::Serialize>(value: &T) -> rusqlite::Result<String> {
    serde_json::to_string(value)
        .map_err(|error| rusqlite::Error::ToSqlConversionFailure(Box::new(error)))
}

#[cfg(test)]
#[path = "store/damage_tests.rs"]
mod damage_tests;
#[cfg(test)]
#[path = "store/prune_tests.rs"]
mod prune_tests;
#[cfg(test)]
#[path = "store/tests.rs"]
mod tests;
