//! Generations: what the drives hold, as far as this server knows.

use rusqlite::params;

use super::{Store, StoreError, json, to_json};
use crate::jobs::Name;
use crate::record::{Generation, GenerationName, State};

impl Store {
    /// Put in a generation, or replace what was known of it.
    pub fn put_generation(&self, drive: &Name, generation: &Generation) -> Result<(), StoreError> {
        self.put_generations(drive, std::slice::from_ref(generation))
    }

    /// Put in several at once; all or none.
    pub fn put_generations(
        &self,
        drive: &Name,
        generations: &[Generation],
    ) -> Result<(), StoreError> {
        let sql = "INSERT OR REPLACE INTO generations (drive, server, job, name, state, line)
            VALUES (?1, ?2, ?3, ?4, ?5, ?6)";
        self.write("record a generation", |db| {
            let mut statement = db.prepare_cached(sql)?;
            for generation in generations {
                statement.execute(params![
                    drive.as_str(),
                    generation.server.as_str(),
                    generation.job.as_str(),
                    generation.name.to_string(),
                    state_word(generation.state),
                    to_json(generation)?,
                ])?;
            }
            Ok(())
        })
    }

    /// What is on the drive for a job, newest first; without retired ones.
    pub fn generations(
        &self,
        drive: &Name,
        server: &Name,
        job: &Name,
    ) -> Result<Vec<Generation>, StoreError> {
        let mut all = self.generations_and_retired(drive, server, job)?;
        all.retain(|generation| generation.state != State::Retired);
        Ok(all)
    }

    /// All that is known of a job on a drive, newest first: with retired ones, as a rebuild needs it.
    pub fn generations_and_retired(
        &self,
        drive: &Name,
        server: &Name,
        job: &Name,
    ) -> Result<Vec<Generation>, StoreError> {
        let sql = "SELECT line FROM generations
            WHERE drive = ?1 AND server = ?2 AND job = ?3 ORDER BY name DESC";
        self.read("list generations", |db| {
            let mut statement = db.prepare_cached(sql)?;
            let key = params![drive.as_str(), server.as_str(), job.as_str()];
            let rows = statement.query_map(key, |row| json(row, 0))?;
            rows.collect()
        })
    }

    /// Mark generations as retired; the number of those that were known and were not retired yet.
    pub fn mark_retired(
        &self,
        drive: &Name,
        server: &Name,
        job: &Name,
        names: &[GenerationName],
    ) -> Result<usize, StoreError> {
        let sql = "UPDATE generations
            SET state = 'retired', line = json_set(line, '$.state', 'retired')
            WHERE drive = ?1 AND server = ?2 AND job = ?3 AND name = ?4 AND state <> 'retired'";
        self.on_each(
            "mark a generation as retired",
            sql,
            (drive, server, job),
            names,
        )
    }

    /// Forget generations that are no longer on the drive, as a rebuild found; how many were known.
    pub fn forget_generations(
        &self,
        drive: &Name,
        server: &Name,
        job: &Name,
        names: &[GenerationName],
    ) -> Result<usize, StoreError> {
        let sql = "DELETE FROM generations
            WHERE drive = ?1 AND server = ?2 AND job = ?3 AND name = ?4";
        self.on_each("forget a generation", sql, (drive, server, job), names)
    }

    fn on_each(
        &self,
        doing: &'static str,
        sql: &str,
        (drive, server, job): (&Name, &Name, &Name),
        names: &[GenerationName],
    ) -> Result<usize, StoreError> {
        self.write(doing, |db| {
            let mut statement = db.prepare_cached(sql)?;
            let mut changed = 0;
            for name in names {
                let key = params![
                    drive.as_str(),
                    server.as_str(),
                    job.as_str(),
                    name.to_string()
                ];
                changed += statement.execute(key)?;
            }
            Ok(changed)
        })
    }
}

fn state_word(state: State) -> &'static str {
    match state {
        State::Whole => "whole",
        State::Updating => "updating",
        State::Retired => "retired",
    }
}
