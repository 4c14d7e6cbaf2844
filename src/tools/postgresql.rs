//! The programs of PostgreSQL: psql, `pg_dump`, `pg_dumpall`, `pg_restore`, and those that make a server.

use std::ffi::{OsStr, OsString};
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};

use super::setpriv::RunAs;
use crate::plan::Argv;

/// A server on this host, and how it is asked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PostgresqlServer {
    /// The folder of its socket.
    pub socket: PathBuf,
    pub port: u16,
    pub role: String,
    pub run_as: RunAs,
    pub programs: Programs,
}

/// Which of several installed versions is run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Programs {
    OnPath,
    /// Those in this folder, such as Debian's `/usr/lib/postgresql/15/bin`.
    In(PathBuf),
}

impl Programs {
    fn argv(&self, name: &str) -> Argv {
        match self {
            Self::OnPath => Argv::new(name),
            Self::In(folder) => Argv::new(folder.join(name)),
        }
    }
}

/// A program that asks for no password: it would wait for a person.
fn client(server: &PostgresqlServer, name: &str) -> Argv {
    // messages in the language that hayloft reads
    let argv = server.programs.argv(name).env("LC_ALL", "C");
    argv.arg("--no-password")
}

/// psql(1) as the other end of a pipe: what it is told is run line by line, one answer a line.
pub fn psql(server: &PostgresqlServer, database: &str) -> Argv {
    let argv = client(server, "psql")
        .env("PGCLIENTENCODING", "UTF8")
        // from the first statement on: a database may have limits of its own
        .env("PGOPTIONS", "-c statement_timeout=0 -c lock_timeout=0")
        .args(["--no-psqlrc", "--quiet", "--tuples-only", "--no-align"])
        .args(["--set=ON_ERROR_STOP=1"])
        .option("--dbname", connection(server, database));
    server.run_as.run(argv)
}

/// The whole of a database, as it was when the snapshot was taken. It is not shrunk: the archive around it is.
pub fn dump(server: &PostgresqlServer, database: &str, snapshot: &str) -> Argv {
    let argv = client(server, "pg_dump")
        .args(["--format=custom", "--compress=0"])
        .option("--snapshot", snapshot)
        .option("--dbname", connection(server, database));
    server.run_as.run(argv)
}

/// Prints its version and ends.
pub fn dump_version(server: &PostgresqlServer) -> Argv {
    server.programs.argv("pg_dump").arg("--version")
}

/// Roles with their passwords, memberships and settings, and tablespaces.
pub fn globals(server: &PostgresqlServer) -> Argv {
    let argv = client(server, "pg_dumpall")
        .arg("--globals-only")
        .option("--dbname", connection(server, "postgres"));
    server.run_as.run(argv)
}

/// Into a database that is there and empty, from standard input. Where tables lie is the new server's own.
pub fn restore(server: &PostgresqlServer, database: &str) -> Argv {
    let argv = client(server, "pg_restore")
        .args([
            "--exit-on-error",
            "--single-transaction",
            "--no-tablespaces",
        ])
        .option("--dbname", connection(server, database));
    server.run_as.run(argv)
}

/// Where whoever renames or makes databases is: nobody renames the one that he is in.
pub const MAINTENANCE: &str = "template1";

/// `options` as the export tells them.
pub fn create(server: &PostgresqlServer, database: &str, options: &str) -> Argv {
    let statement = format!("CREATE DATABASE {} {options}", identifier(database));
    let argv = client(server, "psql")
        .args(["--no-psqlrc", "--quiet"])
        .option("--dbname", connection(server, MAINTENANCE))
        .option("--command", statement);
    server.run_as.run(argv)
}

/// As [`restore`], and makes the database first, by its own name and with its own settings.
pub fn restore_new(server: &PostgresqlServer) -> Argv {
    let argv = client(server, "pg_restore")
        .args(["--exit-on-error", "--create", "--no-tablespaces"])
        .option("--dbname", connection(server, "postgres"));
    server.run_as.run(argv)
}

/// What libpq takes for a connection (PostgreSQL's manual, 34.1.1.1): a bare name with `=` or `://` in it
/// would be taken for one too.
fn connection(server: &PostgresqlServer, database: &str) -> OsString {
    let port = server.port.to_string();
    let mut text = OsString::new();
    for (key, value) in [
        ("dbname", OsStr::new(database)),
        ("host", server.socket.as_os_str()),
        ("port", OsStr::new(&port)),
        ("user", OsStr::new(&server.role)),
    ] {
        let mut quoted = Vec::new();
        for byte in value.as_bytes() {
            if matches!(byte, b'\'' | b'\\') {
                quoted.push(b'\\');
            }
            quoted.push(*byte);
        }
        if !text.is_empty() {
            text.push(" ");
        }
        text.push(key);
        text.push("='");
        text.push(OsStr::from_bytes(&quoted));
        text.push("'");
    }
    text
}

/// A new server of the program's version, that only its own account may ask.
pub fn init(server: &PostgresqlServer, data: &Path) -> Argv {
    let argv = server.programs.argv("initdb").env("LC_ALL", "C");
    let argv = argv
        .args(["--auth=peer", "--encoding=UTF8", "--locale=C.UTF-8"])
        // it is thrown away after an hour: nothing of it has to outlive a power cut
        .arg("--no-sync")
        .option("--username", &server.role)
        .option("--pgdata", data);
    server.run_as.run(argv)
}

/// Starts it and waits until it answers. It listens on its socket only.
pub fn start(server: &PostgresqlServer, data: &Path, log: &Path) -> Argv {
    let argv = server.programs.argv("pg_ctl").env("LC_ALL", "C");
    let mut options = OsString::from("-c listen_addresses='' -c fsync=off -c autovacuum=off -c ");
    options.push(format!("port={} -k ", server.port));
    options.push(crate::plan::quote(server.socket.as_os_str()));
    let argv = argv
        .args(["start", "--wait", "--silent", "--timeout=60"])
        .option("--pgdata", data)
        .option("--log", log)
        .option("--options", options);
    server.run_as.run(argv)
}

pub fn stop(server: &PostgresqlServer, data: &Path) -> Argv {
    let argv = server.programs.argv("pg_ctl").env("LC_ALL", "C");
    let argv = argv
        .args(["stop", "--wait", "--silent", "--mode=immediate"])
        .option("--pgdata", data);
    server.run_as.run(argv)
}

/// What to do about what a client says, when it is a usual trouble.
pub fn advice(errors: &str) -> Option<&'static str> {
    let says = |text: &str| errors.contains(text);
    let no_socket = says("connection to server on socket")
        && (says("No such file or directory") || says("Connection refused"));
    if no_socket {
        Some("start the server, or correct `socket` and `port` in the job's file")
    } else if says("failed to execute") || says("No such file or directory (os error 2)") {
        Some("install its client: apt install postgresql-client")
    } else if says("Peer authentication failed")
        || says("authentication failed for user")
        || says("FATAL:  role")
    {
        Some(
            "correct `user` in the job's file: the server must let that account in by `peer` (pg_hba.conf)",
        )
    } else if says("permission denied") || says("affected by row-level security") {
        Some(
            "the role must be allowed to read everything: take `postgres`, or grant it `pg_read_all_data` and `BYPASSRLS`",
        )
    } else if says("server version mismatch") {
        Some("install the client programs of the server's version")
    } else {
        None
    }
}

/// The major version that `pg_dump --version` tells: `pg_dump (PostgreSQL) 15.18 (Debian 15.18-0+deb12u1)`.
pub fn parse_major(told: &str) -> Option<u32> {
    let (_, version) = told.split_once(") ")?;
    let digits = version.split(|c: char| !c.is_ascii_digit()).next()?;
    digits.parse().ok()
}

/// `text` as a literal of SQL, whatever `standard_conforming_strings` says.
pub fn literal(text: &str) -> String {
    let doubled = text.replace('\'', "''");
    if text.contains('\\') {
        format!(" E'{}'", doubled.replace('\\', "\\\\"))
    } else {
        format!("'{doubled}'")
    }
}

/// `name` as an identifier of SQL.
pub fn identifier(name: &str) -> String {
    format!("\"{}\"", name.replace('"', "\"\""))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn studio() -> PostgresqlServer {
        PostgresqlServer {
            socket: "/run/it's".into(),
            port: 5433,
            role: "postgres".to_owned(),
            run_as: RunAs::Own,
            programs: Programs::In("/usr/lib/postgresql/15/bin".into()),
        }
    }

    #[test]
    fn a_database_with_an_odd_name_is_not_taken_for_a_connection() {
        let argv = psql(&studio(), r"Glaze; drop=\'");
        let last = argv.args.last().unwrap().to_str().unwrap();
        assert_eq!(
            last,
            r"--dbname=dbname='Glaze; drop=\\\'' host='/run/it\'s' port='5433' user='postgres'"
        );
    }

    // as the programs of Debian 12 and the PostgreSQL Global Development Group tell it
    #[test]
    fn the_major_version_is_read() {
        for (told, major) in [
            ("pg_dump (PostgreSQL) 15.18 (Debian 15.18-0+deb12u1)\n", 15),
            ("pg_dump (PostgreSQL) 18beta1\n", 18),
            ("pg_dump (PostgreSQL) 9.6.24\n", 9),
        ] {
            assert_eq!(parse_major(told), Some(major), "{told}");
        }
        assert_eq!(parse_major("pg_dump"), None);
    }

    #[test]
    fn quotes_and_backslashes_stay_within_literals_and_identifiers() {
        assert_eq!(literal("it's"), "'it''s'");
        assert_eq!(literal(r"a\b'"), r" E'a\\b'''");
        assert_eq!(identifier("Two \"bowls\""), "\"Two \"\"bowls\"\"\"");
    }
}
