//! Whether the database file can be trusted: cheap signs at every opening, all of it when in doubt.

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;

use rusqlite::{Connection, ErrorCode};

/// A file up to this size is checked as a whole at every opening: it takes a few milliseconds.
const ALWAYS_CHECKED: u64 = 1 << 20;

/// What the first 100 bytes and the length of the file tell (sqlite.org, "Database File Format", 1.3).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Header {
    /// Not the beginning of a database.
    Damaged(&'static str),
    /// A database whose layout has this number.
    Sound { version: i64, doubt: Doubt },
}

/// Whether a sound header leaves reason to check the whole file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Doubt {
    None,
    CheckAll,
}

pub(super) fn read_header(path: &Path) -> io::Result<Header> {
    let file = File::open(path)?;
    let length = file.metadata()?.len();
    let mut bytes = Vec::new();
    file.take(100).read_to_end(&mut bytes)?;
    Ok(judge_header(&bytes, length))
}

fn judge_header(bytes: &[u8], length: u64) -> Header {
    if bytes.is_empty() {
        return Header::Damaged("the file is empty");
    }
    if bytes.iter().all(|byte| *byte == 0) {
        return Header::Damaged("the file begins with zeros");
    }
    if bytes.len() < 100 {
        return Header::Damaged("the file is cut short");
    }
    if !bytes.starts_with(b"SQLite format 3\0") {
        return Header::Damaged("the file is not a database");
    }
    let page = match u16::from_be_bytes([bytes[16], bytes[17]]) {
        1 => 65536,
        size => u64::from(size),
    };
    let four =
        |at: usize| u32::from_be_bytes([bytes[at], bytes[at + 1], bytes[at + 2], bytes[at + 3]]);
    let short = length < page * u64::from(four(28));
    let uneven = page == 0 || !length.is_multiple_of(page);
    Header::Sound {
        version: i64::from(four(60).cast_signed()),
        doubt: if short || uneven || length <= ALWAYS_CHECKED {
            Doubt::CheckAll
        } else {
            Doubt::None
        },
    }
}

/// Read the whole file: its structure, and that every record is JSON. `None` when it is well.
///
/// # Errors
/// Only what is no sign of damage, such as a busy database or a failing disk.
pub(super) fn check_all(connection: &Connection) -> rusqlite::Result<Option<String>> {
    let structure =
        connection.query_row("PRAGMA quick_check(1)", [], |row| row.get::<_, String>(0));
    let structure = match structure {
        Ok(words) if words == "ok" => None,
        Ok(words) => Some(words),
        Err(error) => Some(damage_words(error)?),
    };
    if structure.is_some() {
        return Ok(structure);
    }
    let sql = "SELECT (SELECT count(*) FROM runs WHERE NOT json_valid(record))
                    + (SELECT count(*) FROM generations WHERE NOT json_valid(line))";
    match connection.query_row(sql, [], |row| row.get::<_, i64>(0)) {
        Ok(0) => Ok(None),
        Ok(count) => Ok(Some(format!("{count} records are not readable"))),
        Err(error) => damage_words(error).map(Some),
    }
}

/// The error in words when it tells of damage; any other error is given back.
pub(super) fn damage_words(error: rusqlite::Error) -> rusqlite::Result<String> {
    if is_damage(&error) {
        Ok(error.to_string())
    } else {
        Err(error)
    }
}

pub(super) fn is_damage(error: &rusqlite::Error) -> bool {
    let by_code = matches!(
        error.sqlite_error_code(),
        Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase)
    );
    by_code || matches!(error, rusqlite::Error::Utf8Error(..))
}
