//! The keys of `kind = "database"`.

use super::account::{self, parse_account};
use super::choice::choose;
use super::kind_reading::some_text;
use super::path_text::{ABSOLUTE, absolute_path};
use super::reading::{Table, Value};
use super::{Encrypt, Engine, Kind, LocalServer, Mistake};

#[derive(Clone, Copy, PartialEq, Eq)]
enum EngineName {
    Postgresql,
    Mariadb,
    Sqlite,
}

/// The keys that only some engines have.
const KEYS: [&str; 5] = ["name", "file", "socket", "port", "user"];

pub(super) fn database(table: &mut Table<'_>) -> Option<Kind> {
    let engines = [
        ("postgresql", EngineName::Postgresql),
        ("mariadb", EngineName::Mariadb),
        ("sqlite", EngineName::Sqlite),
    ];
    let engine = table
        .require("engine", "postgresql, mariadb or sqlite")
        .and_then(|value| choose(&value, &engines));
    let values = KEYS.map(|key| (key, table.take(key)));
    let encrypt = Encrypt::read(table);
    let engine = engine?;
    for (key, value) in &values {
        if let (Some(value), Some(why)) = (value, stranger(key, engine)) {
            value.refuse(Mistake::new(why).allowed(allowed(key)));
        }
    }
    let [(_, name), (_, file), (_, socket), (_, port), (_, user)] = values;
    let engine = match engine {
        EngineName::Sqlite => {
            if file.is_none() {
                table.miss("file", "add the absolute path of the database file");
            }
            Engine::Sqlite {
                file: file?.parse(ABSOLUTE, absolute_path)?,
            }
        }
        EngineName::Postgresql => {
            let usual = LocalServer::postgresql();
            Engine::Postgresql(local_server(usual, [name, socket, port, user])?)
        }
        EngineName::Mariadb => {
            let usual = LocalServer::mariadb();
            Engine::Mariadb(local_server(usual, [name, socket, None, user])?)
        }
    };
    Some(Kind::Database { engine, encrypt })
}

/// `usual` with what the file says instead.
fn local_server(
    usual: LocalServer,
    [name, socket, port, user]: [Option<Value<'_>>; 4],
) -> Option<LocalServer> {
    let name = name.map(|value| value.parse("the name of one database", some_text));
    let socket = socket.map(|value| value.parse(ABSOLUTE, absolute_path));
    let port = port.map(|value| read_port(&value));
    let user = user.map(|value| value.parse(account::EXPECTED, parse_account));
    Some(LocalServer {
        name: name.map_or(Some(usual.name), |name| name.map(Some))?,
        socket: socket.unwrap_or(Some(usual.socket))?,
        port: port.unwrap_or(Some(usual.port))?,
        user: user.unwrap_or(Some(usual.user))?,
    })
}

fn read_port(value: &Value<'_>) -> Option<u16> {
    let port = value.whole_number(&(1..=i64::from(u16::MAX)))?;
    u16::try_from(port).ok()
}

/// Why a key does not belong to this engine.
fn stranger(key: &str, engine: EngineName) -> Option<&'static str> {
    match (engine, key) {
        (EngineName::Sqlite, "name") => Some("sqlite has a `file`, not a `name`"),
        (EngineName::Sqlite, "socket" | "port" | "user") => {
            Some("sqlite has a `file`: there is no server to ask")
        }
        (EngineName::Postgresql | EngineName::Mariadb, "file") => {
            Some("only sqlite has a `file`; a database server has a `name`")
        }
        (EngineName::Mariadb, "port") => {
            Some("only the socket of postgresql has a `port` in its name")
        }
        _ => None,
    }
}

fn allowed(key: &str) -> &'static str {
    match key {
        "port" => "`port` with postgresql",
        "socket" | "user" => "`socket` and `user` with postgresql and mariadb",
        _ => "`name` with postgresql and mariadb, `file` with sqlite",
    }
}
