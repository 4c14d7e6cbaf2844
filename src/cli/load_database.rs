//! The steps that give a database that was loaded the place of the live one, and back.

use std::io;
use std::path::Path;

use super::database_arguments::{PlaceSqlite, SwapPostgresql};
use super::settings::trouble;
use super::tables::{input, tell, with_postgresql};
use crate::exit::Exit;
use crate::prove::tables::{Tables, TablesError};
use crate::run::postgresql_swap::{self, Names};
use crate::run::sqlite_place;
use crate::tools::postgresql::PostgresqlServer;

pub fn swap(wanted: SwapPostgresql) -> Exit {
    with_names(wanted, |server, names| {
        let text = input()?;
        let exported = Tables::parse(text.as_bytes(), Path::new("standard input"))?;
        let settings = exported
            .creation
            .map_or_else(Vec::new, |made| made.settings);
        postgresql_swap::swap(server, names, &settings)
    })
}

pub fn unswap(wanted: SwapPostgresql) -> Exit {
    with_names(wanted, postgresql_swap::put_back)
}

fn with_names(
    wanted: SwapPostgresql,
    act: impl FnOnce(&PostgresqlServer, Names) -> Result<(), TablesError>,
) -> Exit {
    let SwapPostgresql {
        server,
        loaded,
        before,
    } = wanted;
    with_postgresql(server, |server, database| {
        let names = Names {
            database,
            loaded: &loaded,
            before: &before,
        };
        act(server, names).map_or_else(|error| tell(&error), |()| Exit::Well)
    })
}

pub fn place(wanted: &PlaceSqlite) -> Exit {
    finish(sqlite_place::place(
        &wanted.file,
        &wanted.loaded,
        &wanted.before,
    ))
}

pub fn unplace(wanted: &PlaceSqlite) -> Exit {
    finish(sqlite_place::put_back(
        &wanted.file,
        &wanted.loaded,
        &wanted.before,
    ))
}

fn finish(done: io::Result<()>) -> Exit {
    done.map_or_else(|error| trouble(&error), |()| Exit::Well)
}
