//! hayloft's own filters that hand an archive on while it is written: one tells what is in it, one its length and
//! digest.

use std::path::{Path, PathBuf};

use super::seal;
use crate::jobs::Encrypt;
use crate::plan::Argv;

/// What the manifest of an archive's contents is made with.
#[derive(Debug, Clone, Copy)]
pub struct Contents<'a> {
    pub title: &'a str,
    /// The archive's name.
    pub archive: &'a str,
    /// The manifest's name, before it is closed.
    pub name: &'a str,
    pub to: &'a Path,
    /// A folder on the server for what is of no use afterwards.
    pub scratch: &'a Path,
    /// The folders that lead to sources.
    pub above: &'a [PathBuf],
    pub encrypt: Option<&'a Encrypt>,
}

/// Between tar and what shrinks it.
pub fn list(own_program: &Path, contents: &Contents) -> Argv {
    let mut argv = Argv::new(own_program).arg("list-tar");
    for (option, value) in [
        ("--title", contents.title),
        ("--archive", contents.archive),
        ("--name", contents.name),
    ] {
        argv = argv.option(option, value);
    }
    argv = argv
        .option("--to", contents.to)
        .option("--scratch", contents.scratch);
    for folder in contents.above {
        argv = argv.option("--above", folder);
    }
    match contents.encrypt {
        None => argv,
        Some(encrypt) => seal::secret(argv, encrypt),
    }
}

/// Where an archive is as it will lie on the drive.
pub fn sum(own_program: &Path, to: &Path) -> Argv {
    Argv::new(own_program).arg("sum").option("--to", to)
}
