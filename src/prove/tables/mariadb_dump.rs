//! Exports a MariaDB database, and counts its tables before and after.

use std::collections::BTreeMap;
use std::process::Stdio;

use super::mariadb::Session;
use super::{Certainty, Tables, TablesError, measure_mariadb};
use crate::system::{command_of, ended};
use crate::tools::Ended;
use crate::tools::mariadb::{self, MariadbServer};

/// Writes the dump to this process's standard output. No other session can look at the moment that mariadb-dump sees:
/// figures are those of the dump where they are the same before and after.
///
/// # Errors
/// When the server cannot be asked, does not let the role read everything, or the dump does not end well.
pub fn dump(server: &MariadbServer, database: &str) -> Result<Tables, TablesError> {
    let before = measure_mariadb(server, database)?;
    let mut session = Session::begin(server)?;
    let events = session.events()?;
    session.end()?;
    let argv = mariadb::dump(server, database, events);
    let command = argv.to_string();
    let failed = |words: String| TablesError::Program {
        command: command.clone(),
        words,
    };
    let status = command_of(&argv).stdin(Stdio::null()).status();
    let end = ended(status.map_err(|error| failed(format!("no start: {error}")))?);
    if end != Ended::WELL {
        return Err(failed(end.words()));
    }
    Ok(sure(&before, measure_mariadb(server, database)?))
}

/// The later figures; those of tables that were written to meanwhile are marked.
fn sure(before: &Tables, mut after: Tables) -> Tables {
    let before: BTreeMap<_, _> = (before.tables.iter())
        .map(|table| (table.key(), table))
        .collect();
    for table in &mut after.tables {
        let same = before
            .get(&table.key())
            .is_some_and(|early| *early == table);
        if !same && table.certainty == Certainty::Exact {
            table.certainty = Certainty::ChangedMeanwhile;
        }
    }
    after
}
