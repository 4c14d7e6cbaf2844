//! `kind = "database"`: the databases of a server, or a file of SQLite, each with the figures of its tables.

use std::fmt::Write as _;
use std::path::Path;

use super::Frame;
use super::export::Export;
use crate::plan::{
    Act, Argv, Content, DatabaseFacts, Member, Part, Pipeline, Reading, ServiceFacts, Stdin,
    Stdout, Step, Told,
};
use crate::tools::{files, postgresql, tables};

/// Roles of postgresql with their passwords.
pub const GLOBALS: &str = "globals.sql";
/// Users of mariadb with their passwords and grants.
pub const USERS: &str = "users.sql";

pub fn export(frame: Frame) -> Export {
    // without facts there is a stop, and no step is run
    let ServiceFacts::Database(facts) = &frame.facts.service else {
        return Export {
            told: Told::new(),
            members: Vec::new(),
            beside: None,
        };
    };
    let own_program = &frame.facts.own_program;
    let scratch = &frame.facts.indexes;
    let members = match facts {
        DatabaseFacts::Postgresql {
            server, databases, ..
        } => {
            let globals = member(
                GLOBALS,
                "export the roles, with their passwords",
                postgresql::globals(server),
            );
            let each = databases.iter().flat_map(|name| {
                exported(name, &dump_member(name), scratch, |tables| {
                    tables::dump_postgresql(own_program, server, name, tables)
                })
            });
            std::iter::once(globals).chain(each).collect()
        }
        DatabaseFacts::Mariadb {
            server, databases, ..
        } => {
            let users = member(
                USERS,
                "export the users, with their passwords",
                tables::users(own_program, server),
            );
            let each = databases.iter().flat_map(|name| {
                exported(name, &sql_member(name), scratch, |tables| {
                    tables::dump_mariadb(own_program, server, name, tables)
                })
            });
            each.chain(std::iter::once(users)).collect()
        }
        DatabaseFacts::Sqlite { file, .. } => {
            let name = file_member(file);
            exported(&name, &name, scratch, |tables| {
                tables::dump_sqlite(own_program, file, &scratch.join("memory"), tables)
            })
            .into()
        }
    };
    Export {
        told: told(facts),
        members,
        beside: None,
    }
}

fn told(facts: &DatabaseFacts) -> Told {
    let (engine, version) = match facts {
        DatabaseFacts::Postgresql { version, .. } => ("postgresql", version),
        DatabaseFacts::Mariadb { version, .. } => ("mariadb", version),
        DatabaseFacts::Sqlite { version, .. } => ("sqlite", version),
    };
    let pairs = [("service", engine), ("version", version)];
    pairs
        .map(|(name, value)| (name.to_owned(), value.to_owned()))
        .into()
}

/// The member that holds a database of postgresql, as `pg_restore(1)` reads it.
pub fn dump_member(database: &str) -> String {
    format!("{}.dump", file_name(database))
}

/// The member that holds a database of mariadb, as SQL. No database can be named so that it takes [`USERS`].
pub fn sql_member(database: &str) -> String {
    format!("{}.database.sql", file_name(database))
}

/// The member with the figures of a database.
pub fn tables_member(database: &str) -> String {
    format!("{}.tables.json", file_name(database))
}

/// The member that holds a file of SQLite.
pub fn file_member(file: &Path) -> String {
    let name = file.file_name().unwrap_or(file.as_os_str());
    let name = file_name(&name.to_string_lossy());
    // what ends like that is read as entries of a directory
    if Path::new(&name).extension() == Some("ldif".as_ref()) {
        format!("{name}.sqlite")
    } else {
        name
    }
}

/// A name of a database as one of a file: with `%2F` for `/` and so on, as in addresses (RFC 3986, section 2.1).
pub fn file_name(name: &str) -> String {
    let mut text = String::new();
    for (at, c) in name.chars().enumerate() {
        let hidden = at == 0 && c == '.';
        if hidden || c.is_control() || matches!(c, '/' | '%' | '\\') {
            let mut bytes = [0; 4];
            for byte in c.encode_utf8(&mut bytes).bytes() {
                let _ = write!(text, "%{byte:02X}");
            }
        } else {
            text.push(c);
        }
    }
    text
}

/// A database, and what its tables held.
fn exported(name: &str, dump: &str, scratch: &Path, argv: impl FnOnce(&Path) -> Argv) -> [Step; 2] {
    let tables = scratch.join(tables_member(name));
    [
        member(
            dump,
            &format!("export the database `{name}`"),
            argv(&tables),
        ),
        figures(
            &tables_member(name),
            &format!("keep the figures of the tables of `{name}`"),
            files::print(&tables),
        ),
    ]
}

fn member(name: &str, words: &str, argv: Argv) -> Step {
    step(name, Content::Plain, words, argv)
}

fn figures(name: &str, words: &str, argv: Argv) -> Step {
    step(name, Content::Tables, words, argv)
}

fn step(name: &str, content: Content, words: &str, argv: Argv) -> Step {
    let member = Member {
        name: name.to_owned(),
        content,
    };
    let pipeline = Pipeline {
        stages: vec![argv],
        stdin: Stdin::Nothing,
        stdout: Stdout::Member(member),
        reading: Reading::Plain,
        retries: Vec::new(),
    };
    Step::new(Part::Copy, words, Act::Tool(pipeline))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_name_of_a_database_leads_out_of_the_archive_or_takes_the_place_of_another_member() {
        assert_eq!(dump_member("../../etc"), "%2E.%2F..%2Fetc.dump");
        for name in [
            "../x",
            "a/b",
            "..",
            ".",
            "/",
            "a\0b",
            "export.json",
            "users",
            "globals",
        ] {
            for member in [dump_member(name), sql_member(name), tables_member(name)] {
                assert!(
                    !member.contains('/') && !member.starts_with('.'),
                    "{member}"
                );
                assert!(
                    ![USERS, GLOBALS, "export.json"].contains(&member.as_str()),
                    "{member}"
                );
            }
        }
        assert_ne!(dump_member("a/b"), dump_member("a%2Fb"));
        assert_eq!(dump_member("Glaze; drop"), "Glaze; drop.dump");
    }
}
