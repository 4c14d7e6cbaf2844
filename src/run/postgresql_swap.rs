//! Gives a database of PostgreSQL that was loaded under a passing name the place of the live one, which is kept, and back.

use std::time::Duration;

use serde::de::DeserializeOwned;

use crate::prove::tables::TablesError;
use crate::system::Talk;
use crate::tools::postgresql::{self, MAINTENANCE, PostgresqlServer, identifier, literal};

/// The three names.
#[derive(Debug, Clone, Copy)]
pub struct Names<'a> {
    pub database: &'a str,
    /// What the export was loaded as.
    pub loaded: &'a str,
    /// What the live one is kept as.
    pub before: &'a str,
}

/// In one transaction: the live one, if there is one, gets its other name, and what was loaded takes its place.
/// `settings` are statements with `{database}` in them. Sessions of the live one are ended.
///
/// # Errors
/// When the server says no; then both have the names that they had, and [`put_back`] lets sessions in again.
pub fn swap(
    server: &PostgresqlServer,
    names: Names,
    settings: &[String],
) -> Result<(), TablesError> {
    let mut talk = Talk::start(&postgresql::psql(server, MAINTENANCE))?;
    talk.tell(PATIENCE)?;
    let live = identifier(names.database);
    let was_there = exists(&mut talk, names.database)?;
    if was_there {
        end_sessions(&mut talk, names.database)?;
    }
    talk.tell("BEGIN;\n")?;
    if was_there {
        rename(&mut talk, names.database, names.before)?;
    }
    rename(&mut talk, names.loaded, names.database)?;
    for statement in settings {
        talk.tell(&format!("{};\n", statement.replace("{database}", &live)))?;
    }
    talk.tell("COMMIT;\n")?;
    if was_there {
        let_in(&mut talk, names.before)?;
    }
    Ok(talk.end()?)
}

/// Whatever was done of a [`swap`]: the live one has its name again. What had its place is kept under a third name; what was
/// only loaded is removed. May be done twice.
///
/// # Errors
/// When the server says no.
pub fn put_back(server: &PostgresqlServer, names: Names) -> Result<(), TablesError> {
    let mut talk = talk_when_it_answers(server, names)?;
    talk.tell(PATIENCE)?;
    if exists(&mut talk, names.before)? {
        if exists(&mut talk, names.database)? {
            // it has been the live one, and somebody may have written to it
            let failed = failed_name(names.before);
            end_sessions(&mut talk, names.database)?;
            talk.tell("BEGIN;\n")?;
            rename(&mut talk, names.database, &failed)?;
            rename(&mut talk, names.before, names.database)?;
            talk.tell("COMMIT;\n")?;
            let_in(&mut talk, &failed)?;
        } else {
            rename(&mut talk, names.before, names.database)?;
        }
    }
    if exists(&mut talk, names.database)? {
        let_in(&mut talk, names.database)?;
    }
    if exists(&mut talk, names.loaded)? {
        end_sessions(&mut talk, names.loaded)?;
        talk.tell(&format!("DROP DATABASE {};\n", identifier(names.loaded)))?;
    }
    Ok(talk.end()?)
}

/// Who holds a database that long does not give it back.
const PATIENCE: &str = "SET lock_timeout = '60s';\n";

/// How often, and after what, a server is asked again that may be starting: a way back is also done at the start of the
/// system.
const TRIES: u32 = 30;
const WAIT: Duration = Duration::from_secs(2);

fn talk_when_it_answers(server: &PostgresqlServer, names: Names) -> Result<Talk, TablesError> {
    for _ in 1..TRIES {
        let mut talk = Talk::start(&postgresql::psql(server, MAINTENANCE))?;
        if exists(&mut talk, names.database).is_ok() {
            return Ok(talk);
        }
        drop(talk);
        std::thread::sleep(WAIT);
    }
    Ok(Talk::start(&postgresql::psql(server, MAINTENANCE))?)
}

/// `studio_failed_T` of `studio_before_T`: as long, so that it fits as well.
fn failed_name(before: &str) -> String {
    match before.rsplit_once("_before_") {
        Some((name, at)) => format!("{name}_failed_{at}"),
        None => format!("{before}_failed"),
    }
}

fn exists(talk: &mut Talk, database: &str) -> Result<bool, TablesError> {
    let query = format!(
        "SELECT to_jsonb(EXISTS (SELECT FROM pg_catalog.pg_database WHERE datname = {}))",
        literal(database)
    );
    ask(talk, "a database", &query)
}

/// And lets nobody in: an application would be there again at once.
fn end_sessions(talk: &mut Talk, database: &str) -> Result<(), TablesError> {
    let name = identifier(database);
    talk.tell(&format!(
        "ALTER DATABASE {name} WITH ALLOW_CONNECTIONS false;\n"
    ))?;
    let query = format!(
        "SELECT to_jsonb(count(pg_terminate_backend(pid))) FROM pg_catalog.pg_stat_activity \
         WHERE datname = {} AND pid <> pg_backend_pid()",
        literal(database)
    );
    let _: u64 = ask(talk, "its sessions", &query)?;
    Ok(())
}

fn let_in(talk: &mut Talk, database: &str) -> Result<(), TablesError> {
    let name = identifier(database);
    talk.tell(&format!(
        "ALTER DATABASE {name} WITH ALLOW_CONNECTIONS true;\n"
    ))?;
    Ok(())
}

fn rename(talk: &mut Talk, from: &str, to: &str) -> Result<(), TablesError> {
    talk.tell(&format!(
        "ALTER DATABASE {} RENAME TO {};\n",
        identifier(from),
        identifier(to)
    ))?;
    Ok(())
}

fn ask<T: DeserializeOwned>(talk: &mut Talk, what: &str, query: &str) -> Result<T, TablesError> {
    talk.tell(&format!("{query};\n"))?;
    let line = talk.hear()?;
    serde_json::from_str(&line).map_err(|error| TablesError::answer(what, &error))
}
