//! The figures of a MariaDB database.

use std::collections::BTreeMap;

use serde::Deserialize;
use serde::de::DeserializeOwned;
use sha2::{Digest as _, Sha256};

use super::mariadb_queries as queries;
use super::{Certainty, Creation, Engine, Objects, Table, TableKind, Tables, TablesError};
use crate::prove::manifest::Digest;
use crate::system::Talk;
use crate::tools::mariadb::{self, Events, MariadbServer};

/// Said behind each answer: how many lines it has is not known beforehand.
const OVER: &str = "hayloft: all said";

/// Of a server whose events are not to be seen.
const UNTOLD: &str = "was started with `event_scheduler=DISABLED` and tells of no events";

#[derive(Debug)]
pub struct Session {
    talk: Talk,
}

#[derive(Debug, Deserialize)]
struct Database {
    version: String,
    charset: String,
    collation: String,
}

#[derive(Debug, Deserialize)]
struct Relation {
    name: String,
    #[serde(rename = "type")]
    kind: String,
    engine: Option<String>,
    transactions: Option<String>,
    floats: u64,
}

#[derive(Debug, Deserialize)]
struct Privilege {
    privilege: String,
}

#[derive(Debug, Deserialize)]
struct Thing {
    kind: String,
    what: Option<String>,
}

/// What a database holds now.
///
/// # Errors
/// When the server cannot be asked, or lets the role not read everything.
pub fn measure(server: &MariadbServer, database: &str) -> Result<Tables, TablesError> {
    let mut session = Session::begin(server)?;
    let tables = session.describe(database)?;
    session.end()?;
    Ok(tables)
}

impl Session {
    /// Sees one moment, and changes nothing.
    pub(super) fn begin(server: &MariadbServer) -> Result<Self, TablesError> {
        let mut session = Self::plain(server)?;
        session.lines(queries::BEGIN)?;
        Ok(session)
    }

    /// # Errors
    /// When the server cannot be asked.
    pub fn plain(server: &MariadbServer) -> Result<Self, TablesError> {
        let talk = Talk::start(&mariadb::mariadb(server))?;
        let mut session = Self { talk };
        session.lines(queries::SETTINGS)?;
        Ok(session)
    }

    /// # Errors
    /// As [`measure`].
    pub fn describe(&mut self, name: &str) -> Result<Tables, TablesError> {
        let database: Database = self.one("the database", &queries::database(name))?;
        self.may_read_everything(name)?;
        let mut tables = Tables::new(Engine::Mariadb, database.version, name.to_owned());
        tables.creation = Some(Creation {
            options: format!(
                "CHARACTER SET {} COLLATE {}",
                database.charset, database.collation
            ),
            settings: Vec::new(),
        });
        let mut things: Vec<Thing> = self.all("its views and routines", &queries::objects(name))?;
        match self.events()? {
            Events::Told => things.extend(self.all("its events", &queries::events(name))?),
            Events::Untold => tables.notes.push(format!(
                "the server {UNTOLD}: if it has any, they are not exported"
            )),
        }
        tables.objects = objects(&things);
        let relations: Vec<Relation> = self.all("its tables", &queries::tables(name))?;
        for relation in relations {
            let table = self.figures(name, &relation)?;
            tables.notes.extend(note(&relation));
            tables.tables.push(table);
        }
        Ok(tables)
    }

    pub(super) fn events(&mut self) -> Result<Events, TablesError> {
        let scheduler = self.lines(queries::SCHEDULER)?.concat();
        Ok(if scheduler == "DISABLED" {
            Events::Untold
        } else {
            Events::Told
        })
    }

    fn may_read_everything(&mut self, database: &str) -> Result<(), TablesError> {
        let found: Vec<Privilege> =
            self.all("the role's privileges", &queries::privileges(database))?;
        let lacks = |needed: &&str| !found.iter().any(|one| one.privilege == *needed);
        let lacking: Vec<&str> = queries::NEEDED.into_iter().filter(lacks).collect();
        if lacking.is_empty() {
            return Ok(());
        }
        Err(TablesError::Privileges {
            database: database.to_owned(),
            lacking: lacking.join(", "),
        })
    }

    fn figures(&mut self, database: &str, relation: &Relation) -> Result<Table, TablesError> {
        let name = &relation.name;
        let what = format!("table `{name}`");
        let (kind, rows, sum) = if relation.kind == "SEQUENCE" {
            let lines = self.lines(&queries::sequence(database, name))?;
            (TableKind::Sequence, 1, lines.into_iter().next())
        } else {
            let count = self.lines(&queries::count(database, name))?.concat();
            let count = (count.parse()).map_err(|_| TablesError::answer(&what, &count))?;
            // the name before it may hold any character
            let told = self.lines(&queries::checksum(database, name))?.concat();
            let sum = told.rsplit('\t').next().unwrap_or_default();
            if !sum.bytes().all(|byte| byte.is_ascii_digit()) {
                return Err(TablesError::answer(&what, &told));
            }
            (TableKind::Table, count, Some(sum.to_owned()))
        };
        Ok(Table {
            schema: None,
            name: name.clone(),
            kind,
            rows,
            sum,
            certainty: match relation.kind.as_str() {
                "SYSTEM VERSIONED" => Certainty::PresentRows,
                _ if relation.floats > 0 => Certainty::Rounded,
                _ => Certainty::Exact,
            },
        })
    }

    /// # Errors
    /// When the client does not end well.
    pub fn end(self) -> Result<(), TablesError> {
        Ok(self.talk.end()?)
    }

    /// The lines that a query answers with.
    pub(super) fn lines(&mut self, query: &str) -> Result<Vec<String>, TablesError> {
        self.talk.tell(&format!("{query};\nSELECT '{OVER}';\n"))?;
        let mut lines = Vec::new();
        loop {
            let line = self.talk.hear()?;
            if line == OVER {
                return Ok(lines);
            }
            lines.push(line);
        }
    }

    pub(super) fn all<T: DeserializeOwned>(
        &mut self,
        what: &str,
        query: &str,
    ) -> Result<Vec<T>, TablesError> {
        let lines = self.lines(query)?;
        let read = |line: &String| {
            serde_json::from_str(line).map_err(|error| TablesError::answer(what, &error))
        };
        lines.iter().map(read).collect()
    }

    fn one<T: DeserializeOwned>(&mut self, what: &str, query: &str) -> Result<T, TablesError> {
        let mut found = self.all(what, query)?;
        found
            .pop()
            .ok_or_else(|| TablesError::answer(what, &"there is none of this name"))
    }
}

fn note(relation: &Relation) -> Option<String> {
    let name = &relation.name;
    let engine = relation.engine.as_deref().unwrap_or("unknown");
    if relation.kind == "SYSTEM VERSIONED" {
        Some(format!(
            "table `{name}` keeps its history: only its present rows are exported"
        ))
    } else if relation.transactions.as_deref() != Some("YES") && relation.kind != "SEQUENCE" {
        Some(format!(
            "table `{name}` is of the engine {engine}, which knows no transactions: it may be exported in the midst \
             of a change; `ALTER TABLE … ENGINE=InnoDB` mends that"
        ))
    } else if relation.floats > 0 {
        Some(format!(
            "table `{name}` has columns of type float, of which mariadb-dump keeps 6 digits; double keeps all"
        ))
    } else {
        None
    }
}

impl Tables {
    /// Whether there may be events that nobody could see.
    pub fn events_are_untold(&self) -> bool {
        self.notes.iter().any(|note| note.contains(UNTOLD))
    }
}

/// Each kind's count, and a sum of what was told of it.
fn objects(things: &[Thing]) -> BTreeMap<String, Objects> {
    let mut kinds: BTreeMap<&String, Vec<&str>> = BTreeMap::new();
    for thing in things {
        let of_kind = kinds.entry(&thing.kind).or_default();
        of_kind.push(thing.what.as_deref().unwrap_or_default());
    }
    let summed = |mut texts: Vec<&str>| {
        texts.sort_unstable();
        let mut hasher = Sha256::new();
        for text in &texts {
            hasher.update(text.len().to_le_bytes());
            hasher.update(text);
        }
        Objects {
            count: texts.len() as u64,
            sum: Digest(hasher.finalize().into()).to_string(),
        }
    };
    let kinds = kinds.into_iter();
    kinds
        .map(|(kind, texts)| (kind.clone(), summed(texts)))
        .collect()
}
