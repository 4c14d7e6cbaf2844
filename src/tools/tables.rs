//! hayloft's own commands that export a database with the figures of its tables, and hold a loaded one against them.

use std::path::Path;

use super::mariadb::{Defaults, MariadbServer};
use super::postgresql::{PostgresqlServer, Programs};
use super::setpriv::RunAs;
use crate::plan::Argv;

/// How the server and the database are told.
fn postgresql(own_program: &Path, command: &str, server: &PostgresqlServer) -> Argv {
    let argv = Argv::new(own_program)
        .arg(command)
        .option("--socket", &server.socket)
        .option("--port", server.port.to_string())
        .option("--role", &server.role);
    let argv = account(argv, &server.run_as);
    match &server.programs {
        Programs::OnPath => argv,
        Programs::In(folder) => argv.option("--programs", folder),
    }
}

pub(super) fn mariadb(own_program: &Path, command: &str, server: &MariadbServer) -> Argv {
    let argv = Argv::new(own_program)
        .arg(command)
        .option("--socket", &server.socket)
        .option("--role", &server.role);
    let argv = account(argv, &server.run_as);
    match server.defaults {
        Defaults::AsOnThisHost => argv,
        Defaults::None => argv.arg("--no-defaults"),
    }
}

fn account(argv: Argv, run_as: &RunAs) -> Argv {
    match run_as {
        RunAs::Own => argv,
        RunAs::Account { name, .. } => argv.option("--account", name),
    }
}

pub fn dump_postgresql(
    own_program: &Path,
    server: &PostgresqlServer,
    database: &str,
    tables: &Path,
) -> Argv {
    postgresql(own_program, "dump-postgresql", server)
        .option("--database", database)
        .option("--tables", tables)
}

pub fn compare_postgresql(own_program: &Path, server: &PostgresqlServer, database: &str) -> Argv {
    postgresql(own_program, "compare-postgresql", server).option("--database", database)
}

/// Hands on what [`super::postgresql::globals`] wrote, without what is for roles that the server has.
pub fn missing_roles(own_program: &Path, server: &PostgresqlServer) -> Argv {
    postgresql(own_program, "postgresql-roles", server).option("--database", "postgres")
}

pub fn dump_mariadb(
    own_program: &Path,
    server: &MariadbServer,
    database: &str,
    tables: &Path,
) -> Argv {
    mariadb(own_program, "dump-mariadb", server)
        .option("--database", database)
        .option("--tables", tables)
}

pub fn compare_mariadb(own_program: &Path, server: &MariadbServer, database: &str) -> Argv {
    mariadb(own_program, "compare-mariadb", server).option("--database", database)
}

pub fn users(own_program: &Path, server: &MariadbServer) -> Argv {
    mariadb(own_program, "mariadb-users", server)
}

/// Hands on what [`users`] wrote, without what is for users that the server has.
pub fn missing_users(own_program: &Path, server: &MariadbServer) -> Argv {
    users(own_program, server).arg("--missing")
}

/// With mounts of its own: the copy lies in memory that nobody else sees.
pub fn dump_sqlite(own_program: &Path, file: &Path, scratch: &Path, tables: &Path) -> Argv {
    Argv::new("unshare")
        .args(["--mount", "--propagation=slave", "--"])
        .arg(own_program)
        .arg("dump-sqlite")
        .option("--file", file)
        .option("--scratch", scratch)
        .option("--tables", tables)
}

pub fn compare_sqlite(own_program: &Path, file: &Path) -> Argv {
    Argv::new(own_program)
        .arg("compare-sqlite")
        .option("--file", file)
}

/// Starts a server that goes on, and waits until something listens on its socket.
pub fn start_server(own_program: &Path, socket: &Path, log: &Path, server: &Argv) -> Argv {
    Argv::new("unshare")
        .args(["--net", "--"])
        .arg(own_program)
        .arg("start-server")
        .option("--socket", socket)
        .option("--log", log)
        .arg("--")
        .arg(&server.program)
        .args(&server.args)
}

/// `names` are those of the live database, of what was loaded, and of what is kept. The figures of what was loaded
/// are on standard input.
pub fn swap_postgresql(own_program: &Path, server: &PostgresqlServer, names: [String; 3]) -> Argv {
    with_names(postgresql(own_program, "swap-postgresql", server), names)
}

pub fn unswap_postgresql(
    own_program: &Path,
    server: &PostgresqlServer,
    names: [String; 3],
) -> Argv {
    with_names(postgresql(own_program, "unswap-postgresql", server), names)
}

fn with_names(argv: Argv, [database, loaded, before]: [String; 3]) -> Argv {
    argv.option("--database", database)
        .option("--loaded", loaded)
        .option("--before", before)
}

pub fn place_sqlite(own_program: &Path, file: &Path, loaded: &Path, before: &Path) -> Argv {
    with_files(
        Argv::new(own_program).arg("place-sqlite"),
        file,
        loaded,
        before,
    )
}

pub fn unplace_sqlite(own_program: &Path, file: &Path, loaded: &Path, before: &Path) -> Argv {
    with_files(
        Argv::new(own_program).arg("unplace-sqlite"),
        file,
        loaded,
        before,
    )
}

fn with_files(argv: Argv, file: &Path, loaded: &Path, before: &Path) -> Argv {
    argv.option("--file", file)
        .option("--loaded", loaded)
        .option("--before", before)
}
