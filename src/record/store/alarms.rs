//! Open alarms: what is wrong until it is put right, and when a person was last told.

use jiff::Timestamp;
use rusqlite::params;

use super::{Store, StoreError, instant};

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Alarm {
    /// What it is about, such as `silent/ines-laptop`; there is one open alarm for each key.
    pub key: String,
    pub since: Timestamp,
    pub words: String,
    pub last_told: Option<Timestamp>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum AlarmChange {
    New,
    /// It was open already; its words are now the ones given.
    Same,
}

impl Store {
    pub fn raise_alarm(
        &self,
        key: &str,
        words: &str,
        now: Timestamp,
    ) -> Result<AlarmChange, StoreError> {
        self.write("raise an alarm", |db| {
            let update = "UPDATE alarms SET words = ?2 WHERE key = ?1";
            if db.prepare_cached(update)?.execute([key, words])? > 0 {
                return Ok(AlarmChange::Same);
            }
            let insert = "INSERT INTO alarms (key, since, words) VALUES (?1, ?2, ?3)";
            db.prepare_cached(insert)?
                .execute(params![key, now.to_string(), words])?;
            Ok(AlarmChange::New)
        })
    }

    /// Remember that a person was told of an alarm.
    pub fn told_alarm(&self, key: &str, now: Timestamp) -> Result<(), StoreError> {
        self.write("record that an alarm was told", |db| {
            let sql = "UPDATE alarms SET last_told = ?2 WHERE key = ?1";
            db.prepare_cached(sql)?.execute([key, &now.to_string()])?;
            Ok(())
        })
    }

    /// Close an alarm; whether it was open.
    pub fn clear_alarm(&self, key: &str) -> Result<bool, StoreError> {
        // Nearly every look finds nothing open: that must not cost a write.
        let open = self.read("look up an alarm", |db| {
            db.prepare_cached("SELECT 1 FROM alarms WHERE key = ?1")?
                .exists([key])
        })?;
        if !open {
            return Ok(false);
        }
        self.write("clear an alarm", |db| {
            let cleared = db
                .prepare_cached("DELETE FROM alarms WHERE key = ?1")?
                .execute([key])?;
            Ok(cleared > 0)
        })
    }

    /// All open alarms, oldest first.
    pub fn alarms(&self) -> Result<Vec<Alarm>, StoreError> {
        let mut alarms: Vec<Alarm> = self.read("list alarms", |db| {
            let sql = "SELECT key, since, words, last_told FROM alarms";
            let mut statement = db.prepare_cached(sql)?;
            let rows = statement.query_map([], |row| {
                let told: Option<String> = row.get(3)?;
                Ok(Alarm {
                    key: row.get(0)?,
                    since: instant(row, 1)?,
                    words: row.get(2)?,
                    last_told: told.map(|_| instant(row, 3)).transpose()?,
                })
            })?;
            rows.collect()
        })?;
        alarms.sort_by(|a, b| (a.since, &a.key).cmp(&(b.since, &b.key)));
        Ok(alarms)
    }

    /// One open alarm.
    pub fn alarm(&self, key: &str) -> Result<Option<Alarm>, StoreError> {
        let alarms = self.alarms()?;
        Ok(alarms.into_iter().find(|alarm| alarm.key == key))
    }
}
