//! Proofs: what was found out about generations, and when.

use jiff::Timestamp;
use rusqlite::{Connection, named_params, params};

use super::{Store, StoreError, json, micros, to_json};
use crate::jobs::Name;
use crate::record::Proof;

/// Proofs of one job are forgotten beyond so many; the generations they tell of are long gone by then.
const MOST_PROOFS_OF_A_JOB: i64 = 5000;

impl Store {
    /// Record what a look found.
    pub fn put_proofs(&self, proofs: &[Proof]) -> Result<(), StoreError> {
        let sql = "INSERT INTO proofs (drive, job, generation, at, kind, run, proof)
            VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)
            ON CONFLICT (run, job, generation) DO UPDATE SET at = ?4, proof = ?7";
        self.write("record a proof", |db| {
            let mut insert = db.prepare_cached(sql)?;
            for proof in proofs {
                let kind = serde_json::to_value(proof.kind).ok();
                insert.execute(params![
                    proof.drive.as_str(),
                    proof.job.as_str(),
                    proof.generation.to_string(),
                    micros(proof.at),
                    kind.as_ref().and_then(|word| word.as_str()),
                    proof.run,
                    to_json(proof)?,
                ])?;
            }
            Ok(())
        })
    }

    /// The proofs of a job's copies on a drive, newest first.
    pub fn proofs(&self, drive: &Name, job: &Name) -> Result<Vec<Proof>, StoreError> {
        let sql = "SELECT proof FROM proofs WHERE drive = :drive AND job = :job
            ORDER BY at DESC, rowid DESC";
        self.read("look up proofs", |db| {
            let mut statement = db.prepare_cached(sql)?;
            let names = named_params! { ":drive": drive.as_str(), ":job": job.as_str() };
            let rows = statement.query_map(names, |row| json(row, 0))?;
            rows.collect()
        })
    }
}

/// Forgets what is older than `before`, and the oldest beyond a number.
pub(super) fn prune(db: &Connection, before: Timestamp) -> rusqlite::Result<usize> {
    let sql = "DELETE FROM proofs WHERE at < ?1 OR rowid IN (
            SELECT rowid FROM (
                SELECT rowid, row_number() OVER (PARTITION BY job ORDER BY at DESC) AS place FROM proofs
            ) WHERE place > ?2
        )";
    db.execute(sql, params![micros(before), MOST_PROOFS_OF_A_JOB])
}
