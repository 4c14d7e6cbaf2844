//! Which scheduled times have been dealt with, so that none is run twice and none is forgotten.

use jiff::Timestamp;
use rusqlite::{OptionalExtension, params};

use super::{Store, StoreError, instant};
use crate::jobs::Name;

impl Store {
    /// The last planned time of a job that was run, or recorded as missed.
    pub fn handled(&self, job: &Name) -> Result<Option<Timestamp>, StoreError> {
        self.read("look up the last handled time", |db| {
            db.prepare_cached("SELECT planned FROM handled WHERE job = ?1")?
                .query_row([job.as_str()], |row| instant(row, 0))
                .optional()
        })
    }

    pub fn set_handled(&self, job: &Name, planned: Timestamp) -> Result<(), StoreError> {
        let sql = "INSERT OR REPLACE INTO handled (job, planned) VALUES (?1, ?2)";
        self.write("record a handled time", |db| {
            db.prepare_cached(sql)?
                .execute(params![job.as_str(), planned.to_string()])?;
            Ok(())
        })
    }
}
