//! The figures of a PostgreSQL database, all of one moment.

use std::fmt::Write as _;

use serde::Deserialize;
use serde::de::DeserializeOwned;

use super::postgresql_queries as queries;
use super::{Certainty, Creation, Engine, Table, TableKind, Tables, TablesError};
use crate::system::Talk;
use crate::tools::postgresql::{self, PostgresqlServer, literal};

/// A conversation with the server within one transaction that sees one moment.
#[derive(Debug)]
pub(super) struct Session {
    talk: Talk,
}

#[derive(Debug, Deserialize)]
struct Database {
    version: String,
    name: String,
    encoding: String,
    row: DatabaseRow,
    can_read_large_objects: bool,
}

/// Of `pg_database`; what a version does not have is none.
#[derive(Debug, Deserialize)]
struct DatabaseRow {
    datcollate: Option<String>,
    datctype: Option<String>,
    datlocprovider: Option<String>,
    /// Until version 16.
    daticulocale: Option<String>,
    /// From version 17 on.
    datlocale: Option<String>,
    daticurules: Option<String>,
    datconnlimit: Option<i64>,
}

/// A table, or what is like one.
#[derive(Debug, Deserialize)]
pub(super) struct Relation {
    schema: String,
    name: String,
    kind: RelationKind,
    is_filled: bool,
    columns: Vec<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
enum RelationKind {
    #[serde(rename = "r")]
    Table,
    #[serde(rename = "m")]
    MaterialisedView,
    #[serde(rename = "S")]
    Sequence,
}

#[derive(Debug, PartialEq, Eq, Deserialize)]
struct Figures {
    rows: u64,
    sum: Option<String>,
}

/// What a database holds now.
///
/// # Errors
/// When the server cannot be asked, or lets the role not read everything.
pub fn measure(server: &PostgresqlServer, database: &str) -> Result<Tables, TablesError> {
    let mut session = Session::begin(server, database)?;
    let (mut tables, relations) = session.describe()?;
    for relation in &relations {
        tables.tables.push(session.figures(relation)?);
    }
    session.end()?;
    Ok(tables)
}

/// Whether there is nothing in a database but what every new one has.
///
/// # Errors
/// As [`measure`].
pub fn is_empty(server: &PostgresqlServer, database: &str) -> Result<bool, TablesError> {
    let mut session = Session::begin(server, database)?;
    let (tables, relations) = session.describe()?;
    session.end()?;
    let objects = tables.objects.iter();
    let has_own = objects
        .filter(|(kind, _)| *kind != "schemas")
        .any(|(_, objects)| objects.count > 0);
    Ok(relations.is_empty() && tables.tables.is_empty() && !has_own)
}

impl Session {
    pub fn begin(server: &PostgresqlServer, database: &str) -> Result<Self, TablesError> {
        let talk = Talk::start(&postgresql::psql(server, database))?;
        let mut session = Self { talk };
        let _: u64 = session.ask("its settings", queries::SETTINGS)?;
        session.talk.tell(&format!("{};\n", queries::BEGIN))?;
        Ok(session)
    }

    /// What other sessions can see this moment by.
    pub fn snapshot(&mut self) -> Result<String, TablesError> {
        self.ask("its snapshot", queries::SNAPSHOT)
    }

    /// Everything but the figures of its tables, and the tables to ask them of.
    pub fn describe(&mut self) -> Result<(Tables, Vec<Relation>), TablesError> {
        let database: Database = self.ask("the database", queries::DATABASE)?;
        let settings: Vec<String> =
            self.ask("the database's settings", queries::DATABASE_SETTINGS)?;
        let options = options(&database);
        let can_read_large_objects = database.can_read_large_objects;
        let mut tables = Tables::new(Engine::Postgresql, database.version, database.name);
        tables.creation = Some(Creation { options, settings });
        tables.objects = self.ask("its views and functions", queries::OBJECTS)?;
        tables.extensions = self.ask("its extensions", queries::EXTENSIONS)?;
        let large = if can_read_large_objects {
            queries::LARGE_OBJECTS
        } else {
            queries::COUNT_LARGE_OBJECTS
        };
        let figures: Figures = self.ask("its large objects", large)?;
        if figures.rows > 0 {
            tables.tables.push(Table {
                schema: None,
                name: "large objects".to_owned(),
                kind: TableKind::LargeObjects,
                rows: figures.rows,
                sum: figures.sum,
                certainty: Certainty::Exact,
            });
        }
        Ok((tables, self.ask("its tables", queries::TABLES)?))
    }

    pub fn figures(&mut self, relation: &Relation) -> Result<Table, TablesError> {
        let Relation { schema, name, .. } = relation;
        let (kind, certainty, query) = match relation.kind {
            RelationKind::Table => (
                TableKind::Table,
                Certainty::Exact,
                queries::figures(schema, name, &relation.columns),
            ),
            RelationKind::MaterialisedView => (
                TableKind::MaterialisedView,
                Certainty::FilledAnew,
                queries::figures(schema, name, &relation.columns),
            ),
            RelationKind::Sequence => (
                TableKind::Sequence,
                Certainty::Exact,
                queries::sequence(schema, name),
            ),
        };
        let figures = if relation.is_filled {
            self.ask(&format!("`{schema}.{name}`"), &query)?
        } else {
            Figures { rows: 0, sum: None }
        };
        Ok(Table {
            schema: Some(schema.clone()),
            name: name.clone(),
            kind,
            rows: figures.rows,
            sum: figures.sum,
            certainty,
        })
    }

    pub fn end(mut self) -> Result<(), TablesError> {
        self.talk.tell("COMMIT;\n")?;
        Ok(self.talk.end()?)
    }

    pub fn ask<T: DeserializeOwned>(&mut self, what: &str, query: &str) -> Result<T, TablesError> {
        self.talk.tell(&format!("{query};\n"))?;
        let line = self.talk.hear()?;
        serde_json::from_str(&line).map_err(|error| TablesError::answer(what, &error))
    }
}

impl Relation {
    pub fn is_sequence(&self) -> bool {
        self.kind == RelationKind::Sequence
    }
}

/// What `CREATE DATABASE` is given. The locale is the source's own: with another, text sorts otherwise and may not
/// be taken at all.
fn options(database: &Database) -> String {
    let row = &database.row;
    let mut options = format!(
        "TEMPLATE = template0 ENCODING = {}",
        literal(&database.encoding)
    );
    let locale = row.datlocale.as_ref().or(row.daticulocale.as_ref());
    let provider = match row.datlocprovider.as_deref() {
        Some("i") => Some(("icu", "ICU_LOCALE")),
        Some("b") => Some(("builtin", "BUILTIN_LOCALE")),
        _ => None,
    };
    let mut add = |key: &str, value: Option<&String>| {
        if let Some(value) = value {
            let _ = write!(options, " {key} = {}", literal(value));
        }
    };
    add("LC_COLLATE", row.datcollate.as_ref());
    add("LC_CTYPE", row.datctype.as_ref());
    if let Some((name, key)) = provider {
        add("LOCALE_PROVIDER", Some(&name.to_owned()));
        add(key, locale);
        add("ICU_RULES", row.daticurules.as_ref());
    }
    if let Some(limit) = row.datconnlimit.filter(|limit| *limit >= 0) {
        let _ = write!(options, " CONNECTION LIMIT = {limit}");
    }
    options
}
