//! The figures of runs, one after another: for looks over a year, of which whole records would fill the memory.

use jiff::Timestamp;
use rusqlite::{Row, params};

use super::{Store, StoreError, json, micros};
use crate::jobs::Name;
use crate::record::{Changes, DriveUse, Outcome};

/// What a look over many runs needs of one.
#[derive(Debug, Clone, PartialEq)]
pub struct RunFigures {
    pub job: Name,
    pub drive: Name,
    pub started: Timestamp,
    pub outcome: Outcome,
    pub changes: Option<Changes>,
    pub space: Option<DriveUse>,
}

impl Store {
    /// Shows `look` every run that was begun at `since` or later and has ended, oldest first.
    pub fn each_run_since(
        &self,
        since: Timestamp,
        mut look: impl FnMut(RunFigures),
    ) -> Result<(), StoreError> {
        let sql = "SELECT json_array(job, json_extract(record, '$.drive')), json_extract(record, '$.started'),
                json_quote(outcome), json_extract(record, '$.changes'), json_extract(record, '$.space')
            FROM runs WHERE started >= ?1 AND outcome IS NOT NULL ORDER BY started, rowid";
        self.read("look at the figures of runs", |db| {
            let mut statement = db.prepare_cached(sql)?;
            let mut rows = statement.query(params![micros(since)])?;
            while let Some(row) = rows.next()? {
                look(figures(row)?);
            }
            Ok(())
        })
    }
}

fn figures(row: &Row<'_>) -> rusqlite::Result<RunFigures> {
    let (job, drive) = json(row, 0)?;
    Ok(RunFigures {
        job,
        drive,
        started: super::instant(row, 1)?,
        outcome: json(row, 2)?,
        changes: some_json(row, 3)?,
        space: some_json(row, 4)?,
    })
}

fn some_json<T: serde::de::DeserializeOwned>(
    row: &Row<'_>,
    column: usize,
) -> rusqlite::Result<Option<T>> {
    match row.get_ref(column)? {
        rusqlite::types::ValueRef::Null => Ok(None),
        _ => json(row, column).map(Some),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::samples::{at, ended, name, run};

    #[test]
    fn runs_that_ended_are_shown_oldest_first_with_their_figures() {
        let folder = tempfile::tempdir().expect("a folder");
        let (store, _) = Store::open(folder.path()).expect("a database");
        let night = |day: u32| at(&format!("2026-11-{day:02}T02:30:00Z"));
        let going_on = run("on", "studio-files", night(25));
        let mut full = ended(run("full", "orders", night(24)), Outcome::DriveFull);
        full.space = Some(DriveUse {
            total: 1000,
            free: 1,
            reserve: 10,
            job_use: None,
            cap: Some(9),
        });
        let mut well = ended(run("well", "studio-files", night(23)), Outcome::Well);
        well.changes = Some(Changes {
            bytes: 500,
            new_bytes: 20,
            ..Changes::default()
        });
        let old = ended(run("old", "studio-files", night(1)), Outcome::Well);
        for run in [&going_on, &full, &well, &old] {
            store.begin_run(run).expect("recorded");
        }
        let mut seen = Vec::new();
        store
            .each_run_since(night(20), |figures| seen.push(figures))
            .expect("read");
        let expected = |run: &crate::record::RunRecord| RunFigures {
            job: run.job.clone(),
            drive: name("shelf"),
            started: run.started,
            outcome: run.outcome.expect("ended"),
            changes: run.changes,
            space: run.space,
        };
        assert_eq!(seen, [expected(&well), expected(&full)]);
    }
}
