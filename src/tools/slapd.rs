//! The programs of a slapd(8) that work on its files: slapcat(8) and slapadd(8).

use std::path::Path;

use super::setpriv;
use crate::plan::{Argv, Owner};

/// Which of its databases.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Database<'a> {
    /// `cn=config`, number 0 (slapd-config(5)).
    Config,
    Suffix(&'a str),
}

/// Writes a database as LDIF, also while slapd runs: of an `mdb` or `config` database it sees one state (slapcat(8),
/// LIMITATIONS).
pub fn slapcat(config: &Path, database: Database, owner: &Owner) -> Argv {
    as_owner(owner, of(Argv::new("slapcat"), config, database))
}

/// Loads LDIF from standard input into a database; slapd must not run. Without `-q`: entries are checked.
pub fn slapadd(config: &Path, database: Database, owner: &Owner) -> Argv {
    as_owner(owner, of(Argv::new("slapadd"), config, database))
}

/// Starts one with this configuration alone, which listens on one local socket.
pub fn start(config: &Path, uri: &str, owner: &Owner) -> Argv {
    let argv = Argv::new("slapd").args(["-h", uri]).arg("-F").arg(config);
    if owner.user == "root" {
        argv
    } else {
        argv.args(["-u", &owner.user, "-g", &owner.group])
    }
}

/// Prints its version and ends.
pub fn version() -> Argv {
    Argv::new("slapd").arg("-V")
}

/// `2.5.13` out of `@(#) $OpenLDAP: slapd 2.5.13+dfsg-5 (Feb  8 2023 01:56:12) $`.
pub fn read_version(text: &str) -> Option<String> {
    let behind = text.split_once("slapd ")?.1;
    let number = |c: char| c.is_ascii_digit() || c == '.';
    let end = behind.find(|c| !number(c)).unwrap_or(behind.len());
    (end > 0).then(|| behind[..end].to_owned())
}

fn of(argv: Argv, config: &Path, database: Database) -> Argv {
    let argv = argv.arg("-F").arg(config);
    match database {
        Database::Config => argv.arg("-n").arg("0"),
        Database::Suffix(suffix) => argv.arg("-b").arg(suffix),
    }
}

fn as_owner(owner: &Owner, argv: Argv) -> Argv {
    if owner.user == "root" {
        argv
    } else {
        setpriv::as_owner(owner, argv)
    }
}
