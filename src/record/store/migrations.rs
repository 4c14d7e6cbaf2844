//! The layouts of the database, by number. `PRAGMA user_version` holds the number of the last one applied.

use rusqlite::{Connection, Transaction, TransactionBehavior};

/// Marks a database as hayloft's (`PRAGMA application_id`): "hayl" in ASCII.
pub(super) const APPLICATION_ID: i64 = 0x6861_796c;

/// Each brings the layout from its place in the list to the next number. Only ever add to the end.
pub(super) const MIGRATIONS: &[&str] = &[
    "
    CREATE TABLE runs (
        id       TEXT PRIMARY KEY,
        server   TEXT NOT NULL,
        job      TEXT NOT NULL,
        started  INTEGER NOT NULL,  -- microseconds since 1970-01-01T00:00:00Z
        ended    INTEGER,           -- the same; NULL while the run goes on
        outcome  TEXT,              -- NULL while the run goes on
        record   TEXT NOT NULL      -- everything about the run, as JSON
    ) STRICT;
    CREATE INDEX runs_by_job ON runs (job, started);
    CREATE INDEX runs_by_start ON runs (started);
    CREATE INDEX runs_unfinished ON runs (started) WHERE ended IS NULL;

    CREATE TABLE generations (
        drive    TEXT NOT NULL,
        server   TEXT NOT NULL,
        job      TEXT NOT NULL,
        name     TEXT NOT NULL,
        state    TEXT NOT NULL,
        line     TEXT NOT NULL,     -- as in the drive's catalogue.jsonl
        PRIMARY KEY (drive, server, job, name)
    ) STRICT, WITHOUT ROWID;

    CREATE TABLE handled (
        job      TEXT PRIMARY KEY,
        planned  TEXT NOT NULL      -- the last scheduled time that was run or given up, RFC 3339
    ) STRICT;

    CREATE TABLE alarms (
        key       TEXT PRIMARY KEY,
        since     TEXT NOT NULL,    -- RFC 3339
        words     TEXT NOT NULL,
        last_told TEXT              -- RFC 3339; NULL when nobody was told yet
    ) STRICT;
",
    LEDGERS,
    PROOFS,
];

/// What the generations of each job take on each drive.
const LEDGERS: &str = "
    CREATE TABLE ledgers (
        drive    TEXT NOT NULL,
        server   TEXT NOT NULL,
        job      TEXT NOT NULL,
        ledger   TEXT NOT NULL,     -- as JSON
        PRIMARY KEY (drive, server, job)
    ) STRICT, WITHOUT ROWID;
";

/// What was looked at of the copies, and how far each drive was re-read.
const PROOFS: &str = "
    ALTER TABLE runs ADD COLUMN task TEXT NOT NULL DEFAULT 'copy';
    DROP INDEX runs_by_job;
    CREATE INDEX runs_by_job ON runs (job, task, started);

    CREATE TABLE proofs (
        drive      TEXT NOT NULL,
        job        TEXT NOT NULL,
        generation TEXT NOT NULL,
        at         INTEGER NOT NULL, -- microseconds since 1970-01-01T00:00:00Z
        kind       TEXT NOT NULL,
        run        TEXT NOT NULL,
        proof      TEXT NOT NULL,    -- everything about it, as JSON
        UNIQUE (run, job, generation)
    ) STRICT;
    CREATE INDEX proofs_by_job ON proofs (drive, job, at);

    CREATE TABLE rereading (
        drive    TEXT PRIMARY KEY,
        rounds   TEXT NOT NULL,      -- the newest first, as JSON
        handled  TEXT                -- the last scheduled time that was dealt with, RFC 3339
    ) STRICT;
";

/// The newest layout this version knows.
pub(super) fn known() -> i64 {
    i64::try_from(MIGRATIONS.len()).unwrap_or(i64::MAX)
}

pub(super) fn version(connection: &Connection) -> rusqlite::Result<i64> {
    connection.pragma_query_value(None, "user_version", |row| row.get(0))
}

/// Apply what is missing, each in a transaction of its own with its number.
pub(super) fn migrate(connection: &Connection, migrations: &[&str]) -> rusqlite::Result<()> {
    for (number, sql) in (1_i64..).zip(migrations) {
        if version(connection)? >= number {
            continue;
        }
        let immediate = TransactionBehavior::Immediate;
        let transaction = Transaction::new_unchecked(connection, immediate)?;
        transaction.execute_batch(sql)?;
        transaction.pragma_update(None, "application_id", APPLICATION_ID)?;
        transaction.pragma_update(None, "user_version", number)?;
        transaction.commit()?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tables(connection: &Connection) -> Vec<String> {
        let sql = "SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name";
        let mut statement = connection.prepare(sql).expect("a query");
        let names = statement.query_map([], |row| row.get(0)).expect("rows");
        names.map(|name| name.expect("a name")).collect()
    }

    #[test]
    fn an_older_layout_is_brought_forward_and_keeps_its_rows() {
        let connection = Connection::open_in_memory().expect("a database");
        let steps = [
            "CREATE TABLE jars (label TEXT)",
            "ALTER TABLE jars ADD COLUMN glaze TEXT",
        ];
        migrate(&connection, &steps[..1]).expect("the first layout");
        connection
            .execute("INSERT INTO jars VALUES ('tall')", [])
            .expect("a row");
        migrate(&connection, &steps).expect("the second layout");
        migrate(&connection, &steps).expect("nothing to do");
        let glaze: Option<String> = connection
            .query_row("SELECT glaze FROM jars WHERE label = 'tall'", [], |row| {
                row.get(0)
            })
            .expect("the row");
        assert_eq!(glaze, None);
        assert_eq!(version(&connection).expect("a number"), 2);
    }

    #[test]
    fn a_migration_that_fails_leaves_the_layout_before_it() {
        let connection = Connection::open_in_memory().expect("a database");
        let steps = [
            "CREATE TABLE jars (label TEXT)",
            "CREATE TABLE lids (label TEXT); no sql",
        ];
        migrate(&connection, &steps).expect_err("the second is not SQL");
        assert_eq!(tables(&connection), ["jars"]);
        assert_eq!(version(&connection).expect("a number"), 1);
    }
}
