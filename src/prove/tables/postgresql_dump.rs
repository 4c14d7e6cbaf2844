//! Exports a PostgreSQL database and counts its tables, both as of the same moment.

use std::process::{Child, Stdio};

use super::postgresql::{Relation, Session};
use super::{Certainty, Table, Tables, TablesError};
use crate::system::{command_of, ended};
use crate::tools::Ended;
use crate::tools::postgresql::{self, PostgresqlServer};

/// Writes the dump to this process's standard output, and gives the figures of exactly what is in it.
///
/// # Errors
/// When the server cannot be asked, does not let the role read everything, or the dump does not end well.
pub fn dump(server: &PostgresqlServer, database: &str) -> Result<Tables, TablesError> {
    let mut session = Session::begin(server, database)?;
    let snapshot = session.snapshot()?;
    let (mut tables, relations) = session.describe()?;
    // sequences are of no moment: what they say is only sure where it stays the same
    let early = sequences(&mut session, &relations)?;
    let argv = postgresql::dump(server, database, &snapshot);
    let command = argv.to_string();
    let child = command_of(&argv).stdin(Stdio::null()).spawn();
    let mut dumping = Dumping(child.map_err(|error| TablesError::Program {
        command: command.clone(),
        words: format!("no start: {error}"),
    })?);
    for relation in relations.iter().filter(|one| !one.is_sequence()) {
        tables.tables.push(session.figures(relation)?);
    }
    let end = dumping.0.wait().map(ended).map_err(TablesError::Output)?;
    if end != Ended::WELL {
        let words = end.words();
        return Err(TablesError::Program { command, words });
    }
    let late = sequences(&mut session, &relations)?;
    tables.tables.extend(early.into_iter().zip(late).map(sure));
    session.end()?;
    Ok(tables)
}

fn sequences(session: &mut Session, relations: &[Relation]) -> Result<Vec<Table>, TablesError> {
    let sequences = relations.iter().filter(|one| one.is_sequence());
    sequences
        .map(|relation| session.figures(relation))
        .collect()
}

fn sure((early, late): (Table, Table)) -> Table {
    let certainty = if early == late {
        Certainty::Exact
    } else {
        Certainty::ChangedMeanwhile
    };
    Table { certainty, ..late }
}

/// Ended with this process's own end, so that it does not go on writing what nobody wants.
struct Dumping(Child);

impl Drop for Dumping {
    fn drop(&mut self) {
        // one that ended already is as good
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}
