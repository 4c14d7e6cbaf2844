//! The steps that keep a live database of MariaDB, make room in its place, and put it back.

use std::io::stdin;
use std::path::Path;

use super::database_arguments::ReplaceMariadb;
use super::settings::trouble;
use super::tables::{input, tell, with_mariadb};
use crate::exit::Exit;
use crate::prove::tables::{Tables, TablesError};
use crate::run::mariadb_replace::{self, Kept};
use crate::tools::mariadb::MariadbServer;
use crate::tools::seal::Opener;

pub fn keep(to: &Path) -> Exit {
    match mariadb_replace::keep(stdin().lock(), to) {
        Ok(()) => Exit::Well,
        Err(error) => trouble(&format!("`{}`: {error}", to.display())),
    }
}

pub fn replace(wanted: ReplaceMariadb) -> Exit {
    with_kept(wanted, |server, database, kept| {
        let text = input()?;
        let exported = Tables::parse(text.as_bytes(), Path::new("standard input"))?;
        let options = exported.creation.map(|made| made.options);
        mariadb_replace::replace(server, database, &options.unwrap_or_default(), kept)
    })
}

pub fn unreplace(wanted: ReplaceMariadb) -> Exit {
    with_kept(wanted, mariadb_replace::put_back)
}

fn with_kept(
    wanted: ReplaceMariadb,
    act: impl FnOnce(&MariadbServer, &str, &Kept) -> Result<(), TablesError>,
) -> Exit {
    let passphrase = wanted.passphrase_file.map(Opener::PassphraseFile);
    let kept = Kept {
        keeping: wanted.keeping,
        before: wanted.before,
        tables: wanted.tables,
        opener: passphrase
            .or(wanted.identity_file.map(Opener::IdentityFile))
            .or(wanted.credential.map(Opener::Credential)),
    };
    with_mariadb(wanted.server, |server| {
        act(server, &wanted.database, &kept).map_or_else(|error| tell(&error), |()| Exit::Well)
    })
}
