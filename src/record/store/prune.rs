//! Keeps the database from growing without end.

use jiff::{Timestamp, ToSpan, tz::TimeZone};
use rusqlite::{Connection, params};

use super::{Store, StoreError, json, micros};
use crate::record::{Generation, catalogue};

/// How long a run is remembered.
const YEARS: i64 = 3;
/// How many runs of one job are remembered.
const MOST_RUNS_OF_A_JOB: i64 = 2000;

/// How much was forgotten.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Pruned {
    pub runs: usize,
    pub generations: usize,
}

impl Store {
    /// Forget runs older than three years and beyond 2000 of a job, and retired generations that the
    /// catalogue on the drive no longer lists. A job's latest run, the latest of its good and of its other runs,
    /// and those that have not ended stay.
    pub fn prune(&self, now: Timestamp) -> Result<Pruned, StoreError> {
        let local = now.to_zoned_datetime(TimeZone::UTC);
        let before = local
            .checked_sub(YEARS.years())
            .map_or(Timestamp::MIN, |then| then.timestamp());
        self.write("forget old runs", |db| {
            super::proofs::prune(db, before)?;
            Ok(Pruned {
                runs: prune_runs(db, before)?,
                generations: prune_generations(db)?,
            })
        })
    }
}

fn prune_runs(db: &Connection, before: Timestamp) -> rusqlite::Result<usize> {
    let sql = "WITH numbered AS (
            SELECT rowid AS number, started, ended,
                row_number() OVER latest AS place,
                row_number() OVER (PARTITION BY job, task, outcome IN ('well', 'well-with-notes')
                                   ORDER BY started DESC, rowid DESC) AS place_alike
            FROM runs WINDOW latest AS (PARTITION BY job, task ORDER BY started DESC, rowid DESC)
        )
        DELETE FROM runs WHERE rowid IN (
            SELECT number FROM numbered
            WHERE (started < ?1 OR place > ?2) AND place > 1 AND place_alike > 1
              AND ended IS NOT NULL
        )";
    db.execute(sql, params![micros(before), MOST_RUNS_OF_A_JOB])
}

type Key = (String, String, String);

fn prune_generations(db: &Connection) -> rusqlite::Result<usize> {
    let mut keys =
        db.prepare("SELECT DISTINCT drive, server, job FROM generations WHERE state = 'retired'")?;
    let keys = keys.query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?;
    let keys: Vec<Key> = keys.collect::<rusqlite::Result<_>>()?;
    let mut select =
        db.prepare("SELECT line FROM generations WHERE drive = ?1 AND server = ?2 AND job = ?3")?;
    let mut delete = db.prepare(
        "DELETE FROM generations WHERE drive = ?1 AND server = ?2 AND job = ?3 AND name = ?4",
    )?;
    let mut pruned = 0;
    for (drive, server, job) in keys {
        let all = select.query_map([&drive, &server, &job], |row| json(row, 0))?;
        let all: Vec<Generation> = all.collect::<rusqlite::Result<_>>()?;
        let listed = catalogue::listed(&all);
        for generation in all
            .iter()
            .filter(|one| !listed.iter().any(|kept| kept.name == one.name))
        {
            pruned += delete.execute(params![drive, server, job, generation.name.to_string()])?;
        }
    }
    Ok(pruned)
}
