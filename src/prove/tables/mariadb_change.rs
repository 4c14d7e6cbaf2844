//! What a session does to a MariaDB database that is to make way for another.

use super::mariadb::Session;
use super::mariadb_queries as queries;
use super::{TableKind, Tables, TablesError};
use crate::tools::mariadb::{MariadbServer, identifier};

/// Whether nothing of a database would be lost with it.
///
/// # Errors
/// When the server cannot be asked.
pub fn is_empty(server: &MariadbServer, database: &str) -> Result<bool, TablesError> {
    let mut session = Session::plain(server)?;
    let found = session.lines(&queries::amount(database))?.concat();
    session.end()?;
    Ok(found == "0")
}

impl Session {
    pub fn has(&mut self, database: &str) -> Result<bool, TablesError> {
        Ok(!self.lines(&queries::database(database))?.is_empty())
    }

    /// Ends the sessions of others in it.
    ///
    /// # Errors
    /// When the role may not.
    pub fn end_others(&mut self, database: &str) -> Result<(), TablesError> {
        for number in self.lines(&queries::sessions(database))? {
            // one that is gone by itself is as good: error 1094. Within quotes the client ends no statement
            self.lines(&format!(
                "EXECUTE IMMEDIATE 'BEGIN NOT ATOMIC DECLARE CONTINUE HANDLER FOR 1094 BEGIN END; \
                 KILL CONNECTION {number}; END'"
            ))?;
        }
        Ok(())
    }

    /// Lets nobody else read or write its tables, until they are dropped or the session ends.
    ///
    /// # Errors
    /// When others do not let go of one.
    pub fn lock(&mut self, tables: &Tables) -> Result<(), TablesError> {
        let names = names(tables, |_| true);
        if !names.is_empty() {
            let locks: Vec<String> = names.iter().map(|name| format!("{name} WRITE")).collect();
            self.lines("SET SESSION lock_wait_timeout = 60, foreign_key_checks = 0")?;
            self.lines(&format!("LOCK TABLES {}", locks.join(", ")))?;
        }
        Ok(())
    }

    /// # Errors
    /// When the server says no.
    pub fn drop_tables(&mut self, tables: &Tables) -> Result<(), TablesError> {
        self.lines("SET SESSION foreign_key_checks = 0")?;
        for (what, kind) in [
            ("TABLE", TableKind::Table),
            ("SEQUENCE", TableKind::Sequence),
        ] {
            let names = names(tables, |one| one == kind);
            if !names.is_empty() {
                self.lines(&format!("DROP {what} {}", names.join(", ")))?;
            }
        }
        self.lines("UNLOCK TABLES")?;
        Ok(())
    }

    /// # Errors
    /// When the server says no.
    pub fn drop_database(&mut self, database: &str) -> Result<(), TablesError> {
        self.lines("SET SESSION foreign_key_checks = 0")?;
        let name = identifier(database);
        self.lines(&format!("DROP DATABASE IF EXISTS {name}"))?;
        Ok(())
    }

    /// # Errors
    /// When the server says no.
    pub fn create(&mut self, database: &str, options: &str) -> Result<(), TablesError> {
        let name = identifier(database);
        self.lines(&format!("CREATE DATABASE {name} {options}"))?;
        Ok(())
    }
}

fn names(tables: &Tables, wanted: impl Fn(TableKind) -> bool) -> Vec<String> {
    let database = identifier(&tables.database);
    let found = tables.tables.iter().filter(|table| wanted(table.kind));
    found
        .map(|table| format!("{database}.{}", identifier(&table.name)))
        .collect()
}
