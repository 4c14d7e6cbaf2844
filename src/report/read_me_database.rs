//! READ-ME-FIRST.txt, of databases: how their exports are loaded by hand.

use std::ffi::OsStr;
use std::path::{Path, PathBuf};

use super::read_me_first::{command, words};
use crate::jobs::{Engine, LocalServer};
use crate::plan::kinds::database::{GLOBALS, USERS, dump_member, file_member, sql_member};
use crate::plan::quote;

/// What SQLite keeps beside a database (<https://www.sqlite.org/tempfiles.html>), and the database itself at the end.
const PARTS: &str = "-journal -wal -shm ''";

pub fn before(engine: &Engine) -> &'static str {
    match engine {
        Engine::Postgresql(_) => {
            "What came back are the dumps of databases of PostgreSQL, which pg_restore takes, globals.sql with the roles \
             and their passwords, and for each database the figures of its tables, as text. On a computer on which \
             PostgreSQL of that version or a newer one is installed, these lines load them; that a role is there already \
             is no harm. A database that is there is never written over, pg_restore then says that it exists: give it \
             another name first, with ALTER DATABASE studio RENAME TO studio_before in psql."
        }
        Engine::Mariadb(_) => {
            "What came back are databases of MariaDB as SQL, users.sql with the users and their passwords, and for each \
             database the figures of its tables, as text. On a computer on which MariaDB is installed, these lines load \
             them. A database that is there is never written over, CREATE DATABASE then says that it exists: keep it with \
             mariadb-dump, and drop it yourself, if it is to make way. One with a quotation mark or a backslash in its name must be typed by hand."
        }
        Engine::Sqlite { .. } => {
            "What came back is the database, and the figures of its tables as text. Stop first what works with it. What \
             was there before is kept under a name that ends in .before:"
        }
    }
}

/// The commands, each of which is only shown while the word echo stands in it.
pub fn commands(job: &str, engine: &Engine) -> Vec<String> {
    let folder = Path::new("/restore").join(job);
    match engine {
        Engine::Postgresql(server) => postgresql(&folder, server),
        Engine::Mariadb(server) => mariadb(&folder, server),
        Engine::Sqlite { file } => sqlite(&folder, file),
    }
}

fn postgresql(folder: &Path, server: &LocalServer) -> Vec<String> {
    let connection = format!(
        "-h {} -p {} -U {} -d postgres",
        quote(server.socket.as_os_str()),
        server.port,
        quote(OsStr::new(&server.user))
    );
    let load = |options: &str, file: &str| {
        let program = format!("pg_restore --exit-on-error --no-tablespaces{options}");
        said(&server.user, &program, &connection, file)
    };
    let roles = said(
        &server.user,
        "psql -X -q",
        &connection,
        &quote(folder.join(GLOBALS).as_os_str()),
    );
    let mut commands = vec![command(&roles)];
    match server.name.as_deref() {
        // one that every server has cannot be made anew
        Some("postgres") => {}
        Some(name) => {
            let file = quote(folder.join(dump_member(name)).as_os_str());
            commands.push(command(&load(" --create", &file)));
            return commands;
        }
        None => commands.push(looped(
            &format!("for DUMP in {}/*.dump; do", quote(folder.as_os_str())),
            &[format!(
                "[ \"${{DUMP##*/}}\" = postgres.dump ] || \\\n        {}",
                command(&load(" --create", "\"$DUMP\""))
            )],
        )),
    }
    let file = folder.join(dump_member("postgres"));
    let file = quote(file.as_os_str());
    let mut own = vec![format!("[ ! -e {file} ] ||")];
    own.extend(load("", &file));
    commands.push(command(&own));
    commands
}

fn mariadb(folder: &Path, server: &LocalServer) -> Vec<String> {
    let connection = format!(
        "--socket={} --user={}",
        quote(server.socket.as_os_str()),
        quote(OsStr::new(&server.user))
    );
    let program = "mariadb --default-character-set=utf8mb4";
    let told = |key: &str| {
        format!(
            r#"$(sed -n 's/^ *"{key}": "\(.*\)",\{{0,1\}}$/\1/p' "${{SQL%.database.sql}}".tables.json)"#
        )
    };
    let files = match server.name.as_deref() {
        Some(name) => quote(folder.join(sql_member(name)).as_os_str()),
        None => format!("{}/*.database.sql", quote(folder.as_os_str())),
    };
    let mut create = runs_as(&server.user);
    create.extend(words(&format!("{program} {connection}")));
    create.push(r#"--execute="CREATE DATABASE \`${NAME//\`/\`\`}\` $OPTIONS""#.to_owned());
    let mut load = said(&server.user, program, &connection, "\"$SQL\"");
    load.insert(load.len() - 1, "--database=\"$NAME\"".to_owned());
    let steps = [
        format!("NAME={}", told("database")),
        format!("OPTIONS={}", told("options")),
        command(&create),
        command(&load),
    ];
    let users = folder.join(USERS);
    let mut users = said(
        &server.user,
        program,
        &connection,
        &quote(users.as_os_str()),
    );
    users.insert(users.len() - 1, "--force --database=mysql".to_owned());
    vec![
        looped(&format!("for SQL in {files}; do"), &steps),
        command(&users),
    ]
}

fn sqlite(folder: &Path, file: &Path) -> Vec<String> {
    let came = quote(folder.join(file_member(file)).as_os_str());
    let mut before = PathBuf::from(file).into_os_string();
    before.push(".before");
    let (file, before) = (quote(file.as_os_str()), quote(&before));
    vec![
        looped(
            &format!("for PART in {PARTS}; do"),
            &[format!(
                "[ ! -e {file}$PART ] || echo mv -T -n {file}$PART {before}$PART"
            )],
        ),
        format!("echo cp -n {came} {file}"),
        looped(
            "for PROGRAM in chown chmod; do",
            &[format!(
                "[ ! -e {before} ] || echo $PROGRAM --reference={before} {file}"
            )],
        ),
    ]
}

/// Words of a command, with `echo` in front, as the account that the server knows.
fn said(user: &str, program: &str, connection: &str, file: &str) -> Vec<String> {
    let mut said = runs_as(user);
    said.extend(words(&format!("{program} {connection}")));
    said.push(format!("< {file}"));
    said
}

fn runs_as(user: &str) -> Vec<String> {
    let mut said = vec!["echo".to_owned()];
    if user != "root" {
        said.extend(words(&format!("runuser -u {user} --")));
    }
    said
}

fn looped(head: &str, steps: &[String]) -> String {
    format!("{head} \\\n        {}; done", steps.join("; \\\n        "))
}
