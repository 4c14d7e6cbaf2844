//! Exports a MariaDB database, and counts its tables before and after.

use std::collections::{BTreeMap, BTreeSet};
use std::process::Stdio;

use super::mariadb::Session;
use super::{Certainty, Table, Tables, TablesError, measure_mariadb};
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

/// The later figures; what was written to, made or dropped meanwhile is marked: whether the dump has it is not known.
fn sure(before: &Tables, mut after: Tables) -> Tables {
    let early: BTreeMap<_, _> = (before.tables.iter())
        .map(|table| (table.key(), table))
        .collect();
    let mut known = BTreeSet::new();
    for table in &mut after.tables {
        let found = early.get(&table.key()).copied();
        known.extend(found.map(Table::key));
        if found != Some(&*table) {
            table.certainty = Certainty::ChangedMeanwhile;
        }
    }
    let gone = before
        .tables
        .iter()
        .filter(|table| !known.contains(&table.key()));
    let gone: Vec<Table> = gone
        .map(|table| Table {
            certainty: Certainty::ChangedMeanwhile,
            ..table.clone()
        })
        .collect();
    after.tables.extend(gone);
    let kinds = before.objects.keys().chain(after.objects.keys());
    let changed = kinds.filter(|kind| before.objects.get(*kind) != after.objects.get(*kind));
    after.changed_objects = changed.cloned().collect();
    after
}
