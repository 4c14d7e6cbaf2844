//! How far the re-reading of each drive has come, and which of its times were dealt with.

use jiff::Timestamp;
use rusqlite::{OptionalExtension, params};
use serde::{Deserialize, Serialize};

use super::{Store, StoreError, json, to_json};
use crate::jobs::Name;
use crate::record::{GenerationName, Place};

/// One reading of all that lay on a drive when it began.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Round {
    /// Copies that were made later belong to the next round.
    pub started: Timestamp,
    /// Absent until something is done.
    pub place: Option<Place>,
    pub files: u64,
    pub bytes: u64,
    /// Of these, the bytes of the copy in which the place is.
    pub in_copy: u64,
    /// When each part was read, oldest first.
    pub marks: Vec<Mark>,
    /// Absent while it goes on.
    pub finished: Option<Timestamp>,
}

/// Everything up to there, behind the mark before, was read then or soon after.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Mark {
    pub at: Timestamp,
    pub job: Name,
    pub generation: GenerationName,
}

impl Round {
    pub fn begun(now: Timestamp) -> Self {
        Self {
            started: now,
            place: None,
            files: 0,
            bytes: 0,
            in_copy: 0,
            marks: Vec::new(),
            finished: None,
        }
    }
}

impl Store {
    /// The rounds of a drive, newest first: the one that goes on or ended last, and the one before it.
    pub fn rounds(&self, drive: &Name) -> Result<Vec<Round>, StoreError> {
        let found = self.read("look up how far re-reading has come", |db| {
            db.prepare_cached("SELECT rounds FROM rereading WHERE drive = ?1")?
                .query_row([drive.as_str()], |row| json(row, 0))
                .optional()
        })?;
        Ok(found.unwrap_or_default())
    }

    /// Record how far the round has come; the one before it is kept too.
    pub fn put_round(&self, drive: &Name, round: &Round) -> Result<(), StoreError> {
        let mut rounds = self.rounds(drive)?;
        if rounds
            .first()
            .is_some_and(|one| one.started == round.started)
        {
            rounds.remove(0);
        }
        rounds.insert(0, round.clone());
        rounds.truncate(2);
        let sql = "INSERT INTO rereading (drive, rounds) VALUES (?1, ?2)
            ON CONFLICT (drive) DO UPDATE SET rounds = ?2";
        self.write("record how far re-reading has come", |db| {
            db.prepare_cached(sql)?
                .execute(params![drive.as_str(), to_json(&rounds)?])?;
            Ok(())
        })
    }

    /// The last planned time at which a part of the drive was re-read.
    pub fn reread_handled(&self, drive: &Name) -> Result<Option<Timestamp>, StoreError> {
        let sql = "SELECT handled FROM rereading WHERE drive = ?1";
        let text: Option<Option<String>> = self.read("look up the last handled time", |db| {
            db.prepare_cached(sql)?
                .query_row([drive.as_str()], |row| row.get(0))
                .optional()
        })?;
        Ok(text.flatten().and_then(|text| text.parse().ok()))
    }

    pub fn set_reread_handled(&self, drive: &Name, planned: Timestamp) -> Result<(), StoreError> {
        let sql = "INSERT INTO rereading (drive, rounds, handled) VALUES (?1, '[]', ?2)
            ON CONFLICT (drive) DO UPDATE SET handled = ?2";
        self.write("record a handled time", |db| {
            db.prepare_cached(sql)?
                .execute(params![drive.as_str(), planned.to_string()])?;
            Ok(())
        })
    }
}
