//! The figures of an SQLite database, and what it says of itself.

use std::collections::BTreeMap;
use std::path::Path;

use rusqlite::types::ValueRef;
use rusqlite::{Connection, OpenFlags, Row};
use sha2::{Digest as _, Sha256};

use super::{Certainty, Engine, Objects, Table, TableKind, Tables, TablesError};
use crate::prove::manifest::Digest;

/// What a file holds that nobody writes to.
///
/// # Errors
/// When it is no database, or is damaged.
pub fn measure_file(file: &Path) -> Result<Tables, TablesError> {
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    Connection::open_with_flags(file, flags)
        .map_err(|error| wrong(file, &error))
        .and_then(|connection| measure(&connection, file))
}

/// `name` is the file that the database came from.
pub(super) fn measure(connection: &Connection, name: &Path) -> Result<Tables, TablesError> {
    let version = rusqlite::version().to_owned();
    let mut tables = Tables::new(Engine::Sqlite, version, name.to_string_lossy().into_owned());
    check_whole(connection, name, &mut tables)?;
    let filled = fill(connection, &mut tables);
    filled.map_err(|error| wrong(name, &error))?;
    Ok(tables)
}

pub(super) fn wrong(file: &Path, error: &rusqlite::Error) -> TablesError {
    TablesError::Sqlite {
        file: file.to_owned(),
        words: error.to_string(),
    }
}

fn check_whole(
    connection: &Connection,
    name: &Path,
    tables: &mut Tables,
) -> Result<(), TablesError> {
    match first_findings(connection, "PRAGMA integrity_check(5)") {
        Ok(findings) if findings == ["ok"] => {}
        Ok(findings) => {
            return Err(TablesError::Sqlite {
                file: name.to_owned(),
                words: format!("it is damaged: {}", findings.join("; ")),
            });
        }
        // what an application adds to SQLite is not known here
        Err(error) if is_unknown_addition(&error) => {
            tables
                .notes
                .push(format!("its indexes were not checked: {error}"));
        }
        Err(error) => return Err(wrong(name, &error)),
    }
    let loose = first_findings(connection, "PRAGMA foreign_key_check");
    match loose.map_err(|error| wrong(name, &error))?.first() {
        None => {}
        Some(table) => tables.notes.push(format!(
            "table `{table}` has rows whose foreign key leads nowhere; SQLite allows that unless the application \
             asks for `PRAGMA foreign_keys`"
        )),
    }
    Ok(())
}

fn is_unknown_addition(error: &rusqlite::Error) -> bool {
    let words = error.to_string();
    ["no such collation", "no such function", "no such module"]
        .iter()
        .any(|unknown| words.contains(unknown))
}

/// The first column of what a pragma says.
fn first_findings(connection: &Connection, pragma: &str) -> rusqlite::Result<Vec<String>> {
    let mut statement = connection.prepare(pragma)?;
    let found = statement.query_map([], |row| Ok(lossy(row.get_ref(0)?)))?;
    found.take(5).collect()
}

fn fill(connection: &Connection, tables: &mut Tables) -> rusqlite::Result<()> {
    for name in table_names(connection)? {
        tables.tables.push(figures(connection, name)?);
    }
    let mut statement =
        connection.prepare("SELECT type, name, sql FROM sqlite_schema ORDER BY type, name")?;
    let mut rows = statement.query([])?;
    let mut kinds: BTreeMap<String, (u64, Sha256)> = BTreeMap::new();
    while let Some(row) = rows.next()? {
        let kind = match lossy(row.get_ref(0)?).as_str() {
            "table" => "tables",
            "index" => "indexes",
            "view" => "views",
            _ => "triggers",
        };
        let (count, hasher) = kinds.entry(kind.to_owned()).or_default();
        *count += 1;
        hash_row(hasher, row, 3)?;
    }
    let summed = |(count, hasher): (u64, Sha256)| Objects {
        count,
        sum: Digest(hasher.finalize().into()).to_string(),
    };
    let kinds = kinds.into_iter();
    tables.objects = kinds.map(|(kind, found)| (kind, summed(found))).collect();
    Ok(())
}

/// Those with content of their own: that of virtual ones is in the shadow tables beside them, and statistics are
/// worked out from the rest.
fn table_names(connection: &Connection) -> rusqlite::Result<Vec<String>> {
    let mut statement = connection.prepare(
        "SELECT name FROM pragma_table_list WHERE schema = 'main' AND type IN ('table', 'shadow') \
         AND name NOT LIKE 'sqlite\\_stat%' ESCAPE '\\' AND name <> 'sqlite_schema' ORDER BY name",
    )?;
    let names = statement.query_map([], |row| row.get(0))?;
    names.collect()
}

fn figures(connection: &Connection, name: String) -> rusqlite::Result<Table> {
    let quoted = name.replace('"', "\"\"");
    let mut statement = connection.prepare(&format!("SELECT * FROM \"{quoted}\""))?;
    let columns = statement.column_count();
    let (mut count, mut sum) = (0, 0_u128);
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let mut hasher = Sha256::new();
        hash_row(&mut hasher, row, columns)?;
        let digest = hasher.finalize();
        let mut half = [0; 16];
        half.copy_from_slice(&digest[..16]);
        // a sum, in which the order of the rows does not matter
        sum = sum.wrapping_add(u128::from_le_bytes(half));
        count += 1;
    }
    Ok(Table {
        schema: None,
        name,
        kind: TableKind::Table,
        rows: count,
        sum: Some(format!("{sum:032x}")),
        certainty: Certainty::Exact,
    })
}

/// Each value with its type and length: no two different rows look alike.
fn hash_row(hasher: &mut Sha256, row: &Row, columns: usize) -> rusqlite::Result<()> {
    for column in 0..columns {
        match row.get_ref(column)? {
            ValueRef::Null => hasher.update(b"n"),
            ValueRef::Integer(number) => {
                hasher.update(b"i");
                hasher.update(number.to_le_bytes());
            }
            ValueRef::Real(number) => {
                hasher.update(b"r");
                hasher.update(number.to_bits().to_le_bytes());
            }
            ValueRef::Text(bytes) => hash_bytes(hasher, b't', bytes),
            ValueRef::Blob(bytes) => hash_bytes(hasher, b'b', bytes),
        }
    }
    Ok(())
}

fn hash_bytes(hasher: &mut Sha256, kind: u8, bytes: &[u8]) {
    hasher.update([kind]);
    hasher.update((bytes.len() as u64).to_le_bytes());
    hasher.update(bytes);
}

fn lossy(value: ValueRef) -> String {
    match value {
        ValueRef::Null => String::new(),
        ValueRef::Integer(number) => number.to_string(),
        ValueRef::Real(number) => number.to_string(),
        ValueRef::Text(bytes) | ValueRef::Blob(bytes) => {
            String::from_utf8_lossy(bytes).into_owned()
        }
    }
}
