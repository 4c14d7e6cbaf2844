//! The programs of MariaDB: mariadb, mariadb-dump, and those that make a server.

use std::path::{Path, PathBuf};

use super::setpriv::RunAs;
use crate::plan::Argv;

/// A server on this host, and how it is asked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MariadbServer {
    pub socket: PathBuf,
    pub role: String,
    pub run_as: RunAs,
    pub defaults: Defaults,
}

/// Whether the files of options of this host are read (mariadb(1), "Option files").
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Defaults {
    AsOnThisHost,
    /// For a server that hayloft made itself.
    None,
}

/// Whether the server tells of the events that it has.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Events {
    Told,
    /// It was started with `event_scheduler=DISABLED`, and refuses every question about them.
    Untold,
}

fn program(server: &MariadbServer, name: &str) -> Argv {
    // messages in the language that hayloft reads
    let argv = Argv::new(name).env("LC_ALL", "C");
    match server.defaults {
        Defaults::AsOnThisHost => argv,
        Defaults::None => argv.arg("--no-defaults"),
    }
}

fn client(server: &MariadbServer, name: &str) -> Argv {
    program(server, name)
        .args(["--default-character-set=utf8mb4", "--protocol=socket"])
        .option("--socket", &server.socket)
        .option("--user", &server.role)
}

/// mariadb(1) as the other end of a pipe: what it is told is run at once, one row a line.
pub fn mariadb(server: &MariadbServer) -> Argv {
    let argv = client(server, "mariadb").args([
        "--batch",
        "--raw",
        "--unbuffered",
        "--skip-column-names",
        "--skip-reconnect",
    ]);
    server.run_as.run(argv)
}

/// The whole of a database, as it was at one moment as far as its tables know transactions. Nothing in it drops what
/// is there already. `definitions` of the users are another export.
pub fn dump(server: &MariadbServer, database: &str, events: Events) -> Argv {
    let argv = client(server, "mariadb-dump")
        .args(["--single-transaction", "--quick", "--hex-blob"])
        .args(["--routines", "--triggers"])
        .arg(match events {
            Events::Told => "--events",
            Events::Untold => "--skip-events",
        })
        .args(["--order-by-primary", "--skip-dump-date", "--no-tablespaces"])
        .args(["--skip-add-drop-table", "--max-allowed-packet=1G", "--"])
        .arg(database);
    server.run_as.run(argv)
}

/// Prints its version and ends.
pub fn dump_version() -> Argv {
    Argv::new("mariadb-dump").arg("--version")
}

/// Into a database that is there, from standard input.
pub fn load(server: &MariadbServer, database: &str) -> Argv {
    let argv = client(server, "mariadb")
        .args(["--batch", "--max-allowed-packet=1G"])
        .option("--database", database);
    server.run_as.run(argv)
}

/// Statements that make users, from standard input. `--force`: what a user may do with a database that is not in the
/// export cannot be said again, and the rest must be.
pub fn load_users(server: &MariadbServer) -> Argv {
    let argv = client(server, "mariadb").args(["--batch", "--force", "--database=mysql"]);
    server.run_as.run(argv)
}

/// `options` as the export tells them.
pub fn create(server: &MariadbServer, database: &str, options: &str) -> Argv {
    let statement = format!("CREATE DATABASE {} {options}", identifier(database));
    let argv = client(server, "mariadb").arg("--batch");
    server.run_as.run(argv.option("--execute", statement))
}

/// A new server, whose `root` is let in by its account.
pub fn install(data: &Path, temporary: &Path) -> Argv {
    Argv::new("mariadb-install-db")
        .args(["--no-defaults", "--user=mysql", "--skip-test-db"])
        .arg("--auth-root-authentication-method=socket")
        .option("--datadir", data)
        .option("--tmpdir", temporary)
}

/// The server itself, on its socket only, and without what would happen by itself: no event of what is loaded
/// may run. It is thrown away after an hour, and need not outlive a power cut. `temporary` is its own: a server that
/// starts removes all temporary tables that lie in the folder, also those of the live server.
pub fn serve(data: &Path, temporary: &Path, socket: &Path, log: &Path) -> Argv {
    Argv::new("/usr/sbin/mariadbd")
        .args(["--no-defaults", "--user=mysql", "--skip-networking"])
        .args(["--event-scheduler=OFF", "--skip-log-bin"])
        .args([
            "--skip-innodb-doublewrite",
            "--innodb-flush-log-at-trx-commit=0",
        ])
        .args(["--max-allowed-packet=1G", "--lower-case-table-names=0"])
        .option("--datadir", data)
        .option("--tmpdir", temporary)
        .option("--socket", socket)
        .option("--pid-file", data.join("pid"))
        .option("--log-error", log)
}

/// `10.11` of `mariadb-dump  Ver 10.19 Distrib 10.11.19-MariaDB, for debian-linux-gnu (x86_64)`, or, since version 11,
/// of `mariadb-dump from 11.8.2-MariaDB, client 10.19 for debian-linux-gnu (x86_64)`.
pub fn parse_version(told: &str) -> Option<(u32, u32)> {
    let (_, version) = (told.split_once("Distrib ")).or_else(|| told.split_once("from "))?;
    parse_server_version(version)
}

/// `10.11` of `10.11.19-MariaDB-0+deb12u1`.
pub fn parse_server_version(told: &str) -> Option<(u32, u32)> {
    let mut parts = told.trim_start().split(|c: char| !c.is_ascii_digit());
    Some((parts.next()?.parse().ok()?, parts.next()?.parse().ok()?))
}

/// `name` as an identifier of SQL.
pub fn identifier(name: &str) -> String {
    format!("`{}`", name.replace('`', "``"))
}

/// `text` as a literal of SQL, whatever the `sql_mode` says of backslashes.
pub fn literal(text: &str) -> String {
    use std::fmt::Write as _;
    let mut hexadecimal = String::from("_utf8mb4 x'");
    for byte in text.bytes() {
        let _ = write!(hexadecimal, "{byte:02x}");
    }
    hexadecimal.push('\'');
    hexadecimal
}

/// What to do about what a client says, when it is a usual trouble.
pub fn advice(errors: &str) -> Option<&'static str> {
    let says = |text: &str| errors.contains(text);
    if says("Can't connect to local server through socket")
        || says("Can't connect to local MySQL server through socket")
    {
        Some("start the server, or correct `socket` in the job's file")
    } else if says("failed to execute") || says("No such file or directory (os error 2)") {
        Some("install its client: apt install mariadb-client")
    } else if says("ERROR 1698") || says("ERROR 1045") || says("error: 1045") || says("error: 1698")
    {
        Some(
            "correct `user` in the job's file: the server must let that account in by `unix_socket`",
        )
    } else if says("the role may not read") || says("command denied") || says("Access denied") {
        Some(
            "the role must be allowed to read everything: take `root`, or grant it SELECT, SHOW VIEW, TRIGGER, EVENT and LOCK TABLES on all",
        )
    } else {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    // as the programs of Debian 12 and 13 tell it
    #[test]
    fn the_version_is_read_of_programs_and_servers() {
        for (told, version) in [
            (
                "mariadb-dump  Ver 10.19 Distrib 10.11.19-MariaDB, for debian-linux-gnu (x86_64)\n",
                (10, 11),
            ),
            (
                "mariadb-dump from 11.8.2-MariaDB, client 10.19 for debian-linux-gnu (x86_64)\n",
                (11, 8),
            ),
        ] {
            assert_eq!(parse_version(told), Some(version), "{told}");
        }
        assert_eq!(
            parse_server_version("10.11.19-MariaDB-0+deb12u1"),
            Some((10, 11))
        );
        assert_eq!(parse_server_version("clay"), None);
    }

    #[test]
    fn names_and_text_stay_within_their_quotes() {
        assert_eq!(identifier("two `bowls`"), "`two ``bowls```");
        assert_eq!(literal("it's\\"), "_utf8mb4 x'697427735c'");
    }

    #[test]
    fn a_database_whose_name_begins_like_an_option_is_none() {
        let server = MariadbServer {
            socket: "/run/mysqld/mysqld.sock".into(),
            role: "root".to_owned(),
            run_as: RunAs::Own,
            defaults: Defaults::AsOnThisHost,
        };
        let words = dump(&server, "--all-databases", Events::Told).to_string();
        assert!(words.ends_with(" -- --all-databases"), "{words}");
    }
}
