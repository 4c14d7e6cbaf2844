//! The ledgers of what each job's generations take on a drive. One that is lost is measured anew.

use rusqlite::{OptionalExtension, params};

use super::{Store, StoreError, to_json};
use crate::jobs::Name;
use crate::keep::{Ledger, Night};

impl Store {
    /// The ledger of a job on a drive. One that this version cannot read counts as none.
    pub fn ledger(
        &self,
        drive: &Name,
        server: &Name,
        job: &Name,
    ) -> Result<Option<Ledger>, StoreError> {
        let sql = "SELECT ledger FROM ledgers WHERE drive = ?1 AND server = ?2 AND job = ?3";
        let text: Option<String> = self.read("read a ledger of space", |db| {
            let mut statement = db.prepare_cached(sql)?;
            let key = params![drive.as_str(), server.as_str(), job.as_str()];
            statement.query_row(key, |row| row.get(0)).optional()
        })?;
        Ok(text.and_then(|text| serde_json::from_str(&text).ok()))
    }

    /// Puts in a ledger, in the place of the one before.
    pub fn put_ledger(
        &self,
        drive: &Name,
        server: &Name,
        job: &Name,
        ledger: &Ledger,
    ) -> Result<(), StoreError> {
        let sql = "INSERT OR REPLACE INTO ledgers (drive, server, job, ledger)
            VALUES (?1, ?2, ?3, ?4)";
        self.write("keep a ledger of space", |db| {
            let mut statement = db.prepare_cached(sql)?;
            statement.execute(params![
                drive.as_str(),
                server.as_str(),
                job.as_str(),
                to_json(ledger)?,
            ])?;
            Ok(())
        })
    }

    /// Books a new generation, where there is a ledger that it fits to; what does not fit is forgotten, to be
    /// measured anew. Whether it was booked.
    pub fn book_night(
        &self,
        drive: &Name,
        server: &Name,
        job: &Name,
        night: &Night,
    ) -> Result<bool, StoreError> {
        let Some(mut ledger) = self.ledger(drive, server, job)? else {
            return Ok(false);
        };
        if ledger.night(night).is_ok() {
            self.put_ledger(drive, server, job, &ledger)?;
            return Ok(true);
        }
        self.forget_ledger(drive, server, job)?;
        Ok(false)
    }

    /// Forgets a ledger, so that everything is measured anew.
    pub fn forget_ledger(&self, drive: &Name, server: &Name, job: &Name) -> Result<(), StoreError> {
        let sql = "DELETE FROM ledgers WHERE drive = ?1 AND server = ?2 AND job = ?3";
        self.write("forget a ledger of space", |db| {
            let mut statement = db.prepare_cached(sql)?;
            statement.execute(params![drive.as_str(), server.as_str(), job.as_str()])?;
            Ok(())
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::keep::SpaceMap;
    use crate::record::GenerationName;

    fn name(text: &str) -> Name {
        Name::parse(text).expect("a name")
    }

    fn generation(day: u8) -> GenerationName {
        GenerationName::parse(&format!("202611{day:02}T023000Z")).expect("a generation's name")
    }

    #[test]
    fn a_ledger_comes_back_as_it_was_put_in_and_a_night_that_does_not_fit_forgets_it() {
        let folder = tempfile::tempdir().expect("a scratch folder");
        let (store, _) = Store::open(folder.path()).expect("a record");
        let (shelf, kiln, orders) = (name("shelf"), name("kiln"), name("orders"));
        let mut space = SpaceMap::default();
        space.add([generation(1)], 100);
        let ledger = Ledger::of(&space, [generation(1)], 0).expect("a ledger");
        let night = |day, ended| Night {
            name: generation(day),
            ended: vec![(generation(1), ended)],
            new_bytes: 7,
            own_bytes: 1,
        };
        let book = |night| store.book_night(&shelf, &kiln, &orders, &night);
        assert!(!book(night(2, 10)).expect("no ledger yet"));
        store
            .put_ledger(&shelf, &kiln, &orders, &ledger)
            .expect("put in");
        assert_eq!(
            store.ledger(&shelf, &kiln, &orders).expect("read"),
            Some(ledger)
        );
        assert_eq!(
            store.ledger(&shelf, &kiln, &name("books")).expect("read"),
            None
        );
        assert!(book(night(2, 10)).expect("it fits"));
        let booked = store.ledger(&shelf, &kiln, &orders).expect("read");
        assert_eq!(booked.and_then(|one| one.newest()), Some(generation(2)));
        assert!(!book(night(3, 1000)).expect("it does not fit"));
        assert_eq!(store.ledger(&shelf, &kiln, &orders).expect("read"), None);
    }
}
