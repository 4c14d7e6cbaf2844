//! Runs: begun, updated, finished, looked up.

use jiff::Timestamp;
use rusqlite::{Connection, OptionalExtension, named_params, params};

use super::{Store, StoreError, json, micros, to_json};
use crate::jobs::Name;
use crate::record::{GenerationName, RunRecord, Task};

/// Which runs to list. The default is all of them.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct RunFilter {
    pub job: Option<Name>,
    /// At most so many, the newest.
    pub limit: Option<u32>,
    /// Only runs begun at this instant or later.
    pub since: Option<Timestamp>,
    /// Only runs begun before this instant.
    pub before: Option<Timestamp>,
    /// Only runs for this.
    pub task: Option<Task>,
}

/// The stored words of [`crate::record::Outcome::is_well`].
const GOOD: &str = "outcome IN ('well', 'well-with-notes')";

impl Store {
    /// An id that no recorded run has: `20261125T023000Z-studio-files`, with `-2`, `-3` … when taken.
    pub fn new_run_id(&self, job: &Name, now: Timestamp) -> Result<String, StoreError> {
        let base = format!("{}-{job}", GenerationName::at(now));
        let mut id = base.clone();
        let mut number = 1_u32;
        while self.read("look up a run", |db| exists(db, &id))? {
            number += 1;
            id = format!("{base}-{number}");
        }
        Ok(id)
    }

    /// Record that a run has started.
    ///
    /// # Errors
    /// [`StoreError::RunExists`] when the id is taken.
    pub fn begin_run(&self, run: &RunRecord) -> Result<(), StoreError> {
        let begun = self.write("record the start of a run", |db| {
            if exists(db, &run.id)? {
                return Ok(false);
            }
            put(db, run).map(|()| true)
        })?;
        if begun {
            Ok(())
        } else {
            Err(StoreError::RunExists { id: run.id.clone() })
        }
    }

    /// Record how far a run has come. One that is not there is put in: the record it was begun in may
    /// have been set aside meanwhile.
    pub fn update_run(&self, run: &RunRecord) -> Result<(), StoreError> {
        self.write("record a run", |db| put(db, run))
    }

    /// Record a run's end.
    ///
    /// # Errors
    /// [`StoreError::NotEnded`] when `ended` or `outcome` is missing.
    pub fn finish_run(&self, run: &RunRecord) -> Result<(), StoreError> {
        if run.ended.is_none() || run.outcome.is_none() {
            return Err(StoreError::NotEnded { id: run.id.clone() });
        }
        self.write("record the end of a run", |db| put(db, run))
    }

    pub fn run(&self, id: &str) -> Result<Option<RunRecord>, StoreError> {
        self.read("look up a run", |db| {
            db.prepare_cached("SELECT record FROM runs WHERE id = ?1")?
                .query_row([id], |row| json(row, 0))
                .optional()
        })
    }

    /// The runs that pass the filter, newest first.
    pub fn runs(&self, filter: &RunFilter) -> Result<Vec<RunRecord>, StoreError> {
        let sql = "SELECT record FROM runs
            WHERE (:job IS NULL OR job = :job)
              AND (:since IS NULL OR started >= :since)
              AND (:before IS NULL OR started < :before)
              AND (:task IS NULL OR task = :task)
            ORDER BY started DESC, rowid DESC LIMIT :limit";
        self.read("list runs", |db| {
            let mut statement = db.prepare_cached(sql)?;
            let rows = statement.query_map(
                named_params! {
                    ":job": filter.job.as_ref().map(Name::as_str),
                    ":since": filter.since.map(micros),
                    ":before": filter.before.map(micros),
                    ":task": filter.task.map(Task::word),
                    ":limit": filter.limit.map_or(-1, i64::from),
                },
                |row| json(row, 0),
            )?;
            rows.collect()
        })
    }

    /// The run of a job itself that was begun last, however it went.
    pub fn latest_run(&self, job: &Name) -> Result<Option<RunRecord>, StoreError> {
        self.latest(job, "1")
    }

    /// The run of a job itself that was begun last among those that ended well.
    pub fn latest_good_run(&self, job: &Name) -> Result<Option<RunRecord>, StoreError> {
        self.latest(job, GOOD)
    }

    fn latest(&self, job: &Name, condition: &str) -> Result<Option<RunRecord>, StoreError> {
        let sql = format!(
            "SELECT record FROM runs WHERE job = ?1 AND task = 'copy' AND {condition}
             ORDER BY started DESC, rowid DESC LIMIT 1"
        );
        self.read("look up the latest run", |db| {
            db.prepare_cached(&sql)?
                .query_row([job.as_str()], |row| json(row, 0))
                .optional()
        })
    }

    /// Runs without an end, oldest first: going on now, or cut short.
    pub fn unfinished_runs(&self) -> Result<Vec<RunRecord>, StoreError> {
        let sql = "SELECT record FROM runs WHERE ended IS NULL ORDER BY started, rowid";
        self.read("list unfinished runs", |db| {
            let mut statement = db.prepare_cached(sql)?;
            let rows = statement.query_map([], |row| json(row, 0))?;
            rows.collect()
        })
    }
}

fn exists(db: &Connection, id: &str) -> rusqlite::Result<bool> {
    db.prepare_cached("SELECT 1 FROM runs WHERE id = ?1")?
        .exists([id])
}

fn put(db: &Connection, run: &RunRecord) -> rusqlite::Result<()> {
    let sql = "INSERT INTO runs (id, server, job, started, ended, outcome, record, task)
        VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)
        ON CONFLICT (id) DO UPDATE SET
            server = ?2, job = ?3, started = ?4, ended = ?5, outcome = ?6, record = ?7, task = ?8";
    let outcome = run
        .outcome
        .map(|outcome| serde_json::to_value(outcome).ok());
    db.prepare_cached(sql)?.execute(params![
        run.id,
        run.server.as_str(),
        run.job.as_str(),
        micros(run.started),
        run.ended.map(micros),
        outcome.flatten().as_ref().and_then(|word| word.as_str()),
        to_json(run)?,
        run.task.word(),
    ])?;
    Ok(())
}
