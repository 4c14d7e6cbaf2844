//! hayloft's own commands that keep a live database of MariaDB, make room in its place, and put it back.

use std::path::{Path, PathBuf};

use super::mariadb::MariadbServer;
use super::seal::{Opener, opened_with};
use super::tables::mariadb;
use crate::plan::Argv;

/// A live database, and where it is kept.
#[derive(Debug, Clone, Copy)]
pub struct Replaced<'a> {
    pub database: &'a str,
    /// None where there is no such database yet.
    pub keeping: Option<&'a PathBuf>,
    pub before: &'a Path,
    pub tables: &'a Path,
    pub opener: Option<&'a Opener>,
}

/// Writes standard input to a new file that only its owner can read.
pub fn keep(own_program: &Path, to: &Path) -> Argv {
    Argv::new(own_program)
        .arg("keep-mariadb")
        .option("--to", to)
}

/// The figures of what takes its place are on standard input.
pub fn replace(own_program: &Path, server: &MariadbServer, replaced: Replaced) -> Argv {
    named(mariadb(own_program, "replace-mariadb", server), replaced)
}

pub fn put_back(own_program: &Path, server: &MariadbServer, replaced: Replaced) -> Argv {
    named(mariadb(own_program, "unreplace-mariadb", server), replaced)
}

fn named(argv: Argv, replaced: Replaced) -> Argv {
    let argv = argv
        .option("--database", replaced.database)
        .option("--before", replaced.before)
        .option("--tables", replaced.tables);
    let argv = match replaced.keeping {
        Some(keeping) => argv.option("--keeping", keeping),
        None => argv,
    };
    match replaced.opener {
        Some(opener) => opened_with(argv, opener),
        None => argv,
    }
}
