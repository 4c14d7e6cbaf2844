//! What is to be known of a database server, or of a file of SQLite, before it is exported.

use std::path::Path;
use std::time::Duration;

use serde::Deserialize;

use super::{accounts, ask, ask_with_input};
use crate::jobs::{Engine, LocalServer};
use crate::plan::{Argv, Client, DatabaseFacts, Stop, too_old};
use crate::record::Outcome;
use crate::tools::mariadb::{self, Defaults, MariadbServer};
use crate::tools::postgresql::{self, PostgresqlServer, Programs};
use crate::tools::setpriv::RunAs;
use crate::tools::telling_line;

/// Which databases there are is told at once, or something is wrong.
const PATIENCE: Duration = Duration::from_secs(60);

/// Where Debian's packages put the programs of each version.
const VERSIONS: &str = "/usr/lib/postgresql";

#[derive(Debug, Deserialize)]
struct Answer {
    version: String,
    databases: Vec<String>,
}

/// # Errors
/// Why it cannot be exported.
pub fn look(engine: &Engine) -> Result<DatabaseFacts, Stop> {
    match engine {
        Engine::Postgresql(wanted) => postgresql_facts(wanted),
        Engine::Mariadb(wanted) => mariadb_facts(wanted),
        Engine::Sqlite { file } => Ok(DatabaseFacts::Sqlite {
            version: rusqlite::version().to_owned(),
            file: file.clone(),
        }),
    }
}

const POSTGRESQL: &str = "SELECT jsonb_build_object('version', current_setting('server_version'), 'databases', \
    coalesce(jsonb_agg(datname ORDER BY datname COLLATE \"C\"), '[]')) FROM pg_catalog.pg_database \
    WHERE datallowconn AND datname <> 'template1';\n";

fn postgresql_facts(wanted: &LocalServer) -> Result<DatabaseFacts, Stop> {
    let mut server = PostgresqlServer {
        socket: wanted.socket.clone(),
        port: wanted.port,
        role: wanted.user.clone(),
        run_as: run_as(&wanted.user)?,
        programs: Programs::OnPath,
    };
    // one that is always there, as createdb(1) expects it
    let asked = postgresql::psql(&server, "postgres");
    let answer = answer(&asked, POSTGRESQL, postgresql::advice)?;
    let major = answer.version.split(|c: char| !c.is_ascii_digit()).next();
    let major = major.and_then(|digits| digits.parse::<u32>().ok());
    let major = major.ok_or_else(|| not_understood(&answer.version))?;
    let own = Path::new(VERSIONS).join(major.to_string()).join("bin");
    if own.join("pg_dump").exists() {
        server.programs = Programs::In(own);
    }
    let told = version_of(&postgresql::dump_version(&server));
    let package = format!("postgresql-client-{major}");
    let client = Client {
        program: "pg_dump",
        version: postgresql::parse_major(&told),
        told: told.trim(),
        server_told: &answer.version,
        package: &package,
    };
    match too_old(&client, &major) {
        Some(stop) => Err(stop),
        None => Ok(DatabaseFacts::Postgresql {
            server,
            databases: chosen(&answer, wanted)?,
            version: answer.version,
        }),
    }
}

const MARIADB: &str = "SET SESSION group_concat_max_len = 16777216; SELECT JSON_OBJECT('version', VERSION(), \
    'databases', JSON_ARRAYAGG(SCHEMA_NAME ORDER BY BINARY SCHEMA_NAME)) FROM information_schema.SCHEMATA \
    WHERE SCHEMA_NAME NOT IN ('information_schema', 'performance_schema', 'mysql', 'sys');\n";

fn mariadb_facts(wanted: &LocalServer) -> Result<DatabaseFacts, Stop> {
    let server = MariadbServer {
        socket: wanted.socket.clone(),
        role: wanted.user.clone(),
        run_as: run_as(&wanted.user)?,
        defaults: Defaults::AsOnThisHost,
    };
    let answer = answer(&mariadb::mariadb(&server), MARIADB, mariadb::advice)?;
    let version = mariadb::parse_server_version(&answer.version);
    let version = version.ok_or_else(|| not_understood(&answer.version))?;
    let told = version_of(&mariadb::dump_version());
    let client = Client {
        program: "mariadb-dump",
        version: mariadb::parse_version(&told),
        told: told.trim(),
        server_told: &answer.version,
        package: "mariadb-client",
    };
    match too_old(&client, &version) {
        Some(stop) => Err(stop),
        None => Ok(DatabaseFacts::Mariadb {
            server,
            databases: chosen(&answer, wanted)?,
            version: answer.version,
        }),
    }
}

fn run_as(user: &str) -> Result<RunAs, Stop> {
    accounts::run_as(user).ok_or_else(|| {
        let reason =
            format!("the database is to be asked as `{user}`, but this server has no such account");
        Stop::new(Outcome::SourceMissing, reason).advise("correct `user` in the job's file")
    })
}

fn answer(
    argv: &Argv,
    question: &str,
    advice: fn(&str) -> Option<&'static str>,
) -> Result<Answer, Stop> {
    let program = argv.program.to_string_lossy();
    let missing = |words: String| {
        let stop = Stop::new(
            Outcome::SourceMissing,
            format!("the database server cannot be asked: {words}"),
        );
        match advice(&words) {
            Some(advice) => stop.advise(advice),
            None => stop.advise("nothing was copied, and what the drive holds is untouched"),
        }
    };
    let said = ask_with_input(argv, question.as_bytes().to_vec(), PATIENCE)
        .map_err(|error| missing(format!("`{program}`: {error}")))?;
    if !said.is_well() {
        let errors = &said.stderr;
        let named = errors.lines().find(|line| line.starts_with("ERROR"));
        let why = named.or_else(|| telling_line(errors)).unwrap_or_default();
        return Err(missing(why.to_owned()));
    }
    serde_json::from_slice(&said.stdout).map_err(|_| not_understood(&said.text()))
}

fn not_understood(said: &str) -> Stop {
    let reason = format!(
        "the database server's answer is not understood: `{}`",
        said.trim()
    );
    Stop::new(Outcome::Failed, reason)
}

fn version_of(argv: &Argv) -> String {
    let said = ask(argv, PATIENCE);
    said.map_or_else(|error| error.to_string(), |said| said.text())
}

/// All, or the one that the job names.
fn chosen(answer: &Answer, wanted: &LocalServer) -> Result<Vec<String>, Stop> {
    let Some(name) = &wanted.name else {
        return Ok(answer.databases.clone());
    };
    if answer.databases.contains(name) {
        return Ok(vec![name.clone()]);
    }
    let there: Vec<String> = answer
        .databases
        .iter()
        .map(|one| format!("`{one}`"))
        .collect();
    let reason = format!("the server has no database `{name}`");
    Err(Stop::new(Outcome::SourceMissing, reason).advise(format!(
        "it has {}; correct `name` in the job's file",
        there.join(", ")
    )))
}
