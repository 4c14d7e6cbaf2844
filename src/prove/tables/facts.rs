//! The figures of a database's tables, and the file they go in.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::fs;
use std::io::Write as _;
use std::os::unix::fs::OpenOptionsExt as _;
use std::path::Path;

use serde::{Deserialize, Serialize};

use super::TablesError;

/// Of the files that this version writes and reads.
const FORMAT: u32 = 1;

/// What a database held.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Tables {
    pub format: u32,
    pub engine: Engine,
    /// Of the server, or of the library that read the file.
    pub version: String,
    pub database: String,
    pub tables: Vec<Table>,
    /// What else is in it, by kind: views, functions and so on.
    #[serde(default)]
    pub objects: BTreeMap<String, Objects>,
    /// Kinds of these of which some were made, changed or dropped while it was exported.
    #[serde(default, skip_serializing_if = "BTreeSet::is_empty")]
    pub changed_objects: BTreeSet<String>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub extensions: Vec<Extension>,
    /// How an empty one like it is made.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub creation: Option<Creation>,
    /// For a person to know.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub notes: Vec<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Engine {
    Postgresql,
    Mariadb,
    Sqlite,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Table {
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub schema: Option<String>,
    pub name: String,
    pub kind: TableKind,
    pub rows: u64,
    /// Of the content, whatever the order of the rows; none where it could not be worked out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sum: Option<String>,
    pub certainty: Certainty,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum TableKind {
    Table,
    Sequence,
    MaterialisedView,
    LargeObjects,
}

/// How far the figures can be held against what is loaded from the export.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Certainty {
    /// They are those of what was exported.
    Exact,
    /// Others wrote to it while it was exported.
    ChangedMeanwhile,
    /// It is filled from other tables when it is loaded.
    FilledAnew,
    /// The export keeps fewer digits of it than the server does.
    Rounded,
    /// Rows of the past stay out of the export.
    PresentRows,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Objects {
    pub count: u64,
    /// Of their names and, where the server gives it word for word, of their text.
    pub sum: String,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Extension {
    pub name: String,
    pub version: String,
}

/// Statements that make a database: what is put behind its name when it is created, and what is run afterwards, in
/// which its name stands as `{database}`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Creation {
    pub options: String,
    #[serde(default)]
    pub settings: Vec<String>,
}

impl Tables {
    pub fn new(engine: Engine, version: String, database: String) -> Self {
        Self {
            format: FORMAT,
            engine,
            version,
            database,
            tables: Vec::new(),
            objects: BTreeMap::new(),
            changed_objects: BTreeSet::new(),
            extensions: Vec::new(),
            creation: None,
            notes: Vec::new(),
        }
    }

    /// Of tables only: what else there is has no rows.
    pub fn rows(&self) -> u64 {
        let tables = self.tables.iter();
        tables
            .filter(|table| table.kind == TableKind::Table)
            .map(|table| table.rows)
            .sum()
    }

    /// # Errors
    /// When it is not whole, or of a format that this version does not know.
    pub fn parse(bytes: &[u8], name: &Path) -> Result<Self, TablesError> {
        let wrong = |words: String| TablesError::Facts {
            file: name.to_owned(),
            words,
        };
        let tables: Self =
            serde_json::from_slice(bytes).map_err(|error| wrong(error.to_string()))?;
        if tables.format == FORMAT {
            Ok(tables)
        } else {
            Err(wrong(format!(
                "its format is {}, and this hayloft reads {FORMAT}",
                tables.format
            )))
        }
    }

    /// # Errors
    /// As [`Self::parse`], and when it cannot be read.
    pub fn read(file: &Path) -> Result<Self, TablesError> {
        let bytes = fs::read(file).map_err(|error| TablesError::file(file, error))?;
        Self::parse(&bytes, file)
    }

    /// To a file that only its owner can read: names of tables are nobody else's business.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn write(&self, file: &Path) -> Result<(), TablesError> {
        if let Some(folder) = file.parent() {
            fs::create_dir_all(folder).map_err(|error| TablesError::file(folder, error))?;
        }
        let written = fs::OpenOptions::new()
            .write(true)
            .create(true)
            .truncate(true)
            .mode(0o600)
            .open(file)
            .and_then(|mut open| {
                let mut text = serde_json::to_vec_pretty(self)?;
                text.push(b'\n');
                open.write_all(&text)
            });
        written.map_err(|error| TablesError::file(file, error))
    }
}

impl Table {
    /// What tells one from the others of its database.
    pub fn key(&self) -> (TableKind, Option<&str>, &str) {
        (self.kind, self.schema.as_deref(), &self.name)
    }
}

impl fmt::Display for Table {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let kind = match self.kind {
            TableKind::Table => "table",
            TableKind::Sequence => "sequence",
            TableKind::MaterialisedView => "materialised view",
            TableKind::LargeObjects => return f.write_str("the large objects"),
        };
        match &self.schema {
            Some(schema) => write!(f, "{kind} `{schema}.{}`", self.name),
            None => write!(f, "{kind} `{}`", self.name),
        }
    }
}

impl fmt::Display for Engine {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Postgresql => "postgresql",
            Self::Mariadb => "mariadb",
            Self::Sqlite => "sqlite",
        })
    }
}
