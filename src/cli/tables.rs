//! The steps that export a database with what its tables hold, and hold one that was loaded against it.

use std::fs::File;
use std::io::{Read as _, stdin, stdout};
use std::os::fd::AsFd;
use std::path::Path;

use super::database_arguments::{
    CompareMariadb, ComparePostgresql, DumpMariadb, DumpPostgresql, DumpSqlite, MariadbArguments,
    MariadbUsers, PostgresqlArguments, StartServer,
};
use super::settings::trouble;
use crate::exit::Exit;
use crate::plan::Argv;
use crate::prove::tables::{self, Tables, TablesError};
use crate::report::safe_line;
use crate::system::{self, accounts};
use crate::tools::mariadb::{self, Defaults, MariadbServer};
use crate::tools::postgresql::{self, PostgresqlServer, Programs};
use crate::tools::setpriv::RunAs;

pub fn dump_postgresql(wanted: DumpPostgresql) -> Exit {
    let file = wanted.tables;
    with_postgresql(wanted.server, |server, database| {
        let dumped = tables::dump_postgresql(server, database);
        finish_dump(&file, dumped)
    })
}

pub fn compare_postgresql(wanted: ComparePostgresql) -> Exit {
    with_postgresql(wanted.server, |server, database| {
        compare(|_| tables::measure_postgresql(server, database))
    })
}

pub(super) fn with_postgresql(
    wanted: PostgresqlArguments,
    act: impl FnOnce(&PostgresqlServer, &str) -> Exit,
) -> Exit {
    let run_as = match run_as(wanted.account.as_deref()) {
        Ok(run_as) => run_as,
        Err(exit) => return exit,
    };
    let server = PostgresqlServer {
        socket: wanted.socket,
        port: wanted.port,
        role: wanted.role,
        run_as,
        programs: wanted.programs.map_or(Programs::OnPath, Programs::In),
    };
    act(&server, &wanted.database)
}

pub fn dump_mariadb(wanted: DumpMariadb) -> Exit {
    with_mariadb(wanted.server, |server| {
        let dumped = tables::dump_mariadb(server, &wanted.database);
        finish_dump(&wanted.tables, dumped)
    })
}

pub fn compare_mariadb(wanted: CompareMariadb) -> Exit {
    with_mariadb(wanted.server, |server| {
        compare(|_| tables::measure_mariadb(server, &wanted.database))
    })
}

pub fn mariadb_users(wanted: MariadbUsers) -> Exit {
    let missing = wanted.missing;
    with_mariadb(wanted.server, |server| {
        hand_on(if missing {
            input().and_then(|text| tables::missing_users(server, &text))
        } else {
            tables::users(server)
        })
    })
}

pub fn postgresql_roles(wanted: ComparePostgresql) -> Exit {
    with_postgresql(wanted.server, |server, _| {
        hand_on(input().and_then(|text| tables::missing_roles(server, &text)))
    })
}

pub(super) fn input() -> Result<String, TablesError> {
    std::io::read_to_string(stdin().lock())
        .map_err(|error| TablesError::file(Path::new("standard input"), error))
}

fn hand_on(statements: Result<String, TablesError>) -> Exit {
    match statements {
        Ok(statements) => {
            print!("{statements}");
            Exit::Well
        }
        Err(error) => tell(&error),
    }
}

pub fn start_server(wanted: StartServer) -> Exit {
    let mut words = wanted.command.into_iter();
    let Some(program) = words.next() else {
        return Exit::Usage;
    };
    let argv = Argv::new(program).args(words);
    let started = system::start_server(&argv, &wanted.socket, &wanted.log);
    started.map_or_else(|error| trouble(&error), |()| Exit::Well)
}

pub(super) fn with_mariadb(
    wanted: MariadbArguments,
    act: impl FnOnce(&MariadbServer) -> Exit,
) -> Exit {
    let run_as = match run_as(wanted.account.as_deref()) {
        Ok(run_as) => run_as,
        Err(exit) => return exit,
    };
    act(&MariadbServer {
        socket: wanted.socket,
        role: wanted.role,
        run_as,
        defaults: if wanted.no_defaults {
            Defaults::None
        } else {
            Defaults::AsOnThisHost
        },
    })
}

pub fn dump_sqlite(wanted: &DumpSqlite) -> Exit {
    // without what the standard library puts between: it would look for ends of lines
    let output = match stdout().as_fd().try_clone_to_owned() {
        Ok(output) => File::from(output),
        Err(error) => return trouble(&error),
    };
    let dumped = tables::dump_sqlite(&wanted.file, &wanted.scratch, output);
    finish_dump(&wanted.tables, dumped)
}

pub fn compare_sqlite(file: &Path) -> Exit {
    compare(|_| tables::measure_sqlite(file))
}

fn run_as(account: Option<&str>) -> Result<RunAs, Exit> {
    let Some(name) = account else {
        return Ok(RunAs::Own);
    };
    accounts::run_as(name).ok_or_else(|| {
        trouble(&format!(
            "this server has no account `{}`; correct `user` in the job's file",
            safe_line(name)
        ))
    })
}

fn finish_dump(file: &Path, dumped: Result<Tables, TablesError>) -> Exit {
    let written = dumped.and_then(|tables| {
        tables.write(file)?;
        Ok(tables)
    });
    match written {
        Ok(tables) => {
            for note in &tables.notes {
                eprintln!("note: {}", safe_line(note));
            }
            Exit::Well
        }
        Err(error) => tell(&error),
    }
}

pub(super) fn tell(error: &TablesError) -> Exit {
    let words = error.to_string();
    let exit = trouble(&safe_line(&words));
    if let Some(advice) = postgresql::advice(&words).or_else(|| mariadb::advice(&words)) {
        eprintln!("{advice}");
    }
    exit
}

/// Reads what was exported from standard input, and tells how the database differs.
fn compare(measure: impl FnOnce(&Tables) -> Result<Tables, TablesError>) -> Exit {
    let mut text = Vec::new();
    let exported = stdin()
        .lock()
        .read_to_end(&mut text)
        .map_err(|error| TablesError::file(Path::new("standard input"), error))
        .and_then(|_| Tables::parse(&text, Path::new("standard input")));
    let measured = exported.and_then(|exported| {
        let loaded = measure(&exported)?;
        Ok((exported, loaded))
    });
    let (exported, loaded) = match measured {
        Ok(both) => both,
        Err(error) => return tell(&error),
    };
    let found = tables::compare(&exported, &loaded);
    for note in &found.notes {
        println!("note: {}", safe_line(note));
    }
    for difference in &found.differences {
        eprintln!("error: {}", safe_line(difference));
    }
    if found.is_same() {
        println!(
            "{} tables and sequences are as they were exported, with {} rows",
            found.same, found.rows
        );
        Exit::Well
    } else {
        Exit::Trouble
    }
}
