//! Opening: create, check, set aside what is damaged, bring the layout forward.

use std::fs;
use std::io;
use std::path::Path;
use std::time::Duration;

use jiff::Timestamp;
use rusqlite::{Connection, OpenFlags};

use super::check::{self, Doubt, Header};
use super::files::Files;
use super::migrations::{self, APPLICATION_ID, MIGRATIONS};
use super::set_aside::set_aside;
use super::{Store, StoreError};

/// How long a write waits for another process's write.
const BUSY: Duration = Duration::from_secs(20);

/// What to run after the record was lost.
const REBUILD: &str = "run `hayloft check --rebuild` to fill it again from the drives";

pub(super) fn open(state_dir: &Path, now: Timestamp) -> Result<(Store, Vec<String>), StoreError> {
    let files = Files::within(state_dir);
    files.create_folder()?;
    let _lock = files.lock()?;
    let mut notes = Vec::new();
    let connection = match find_damage(&files)? {
        Found::Sound(connection) => Some(connection),
        Found::Absent => {
            notes.extend(absent_note(&files, now)?);
            None
        }
        Found::Damaged(words) => {
            let aside = set_aside(&files, now)?;
            notes.push(format!(
                "`{}` was damaged ({words}) and was set aside as `{}`; a new one was begun: {REBUILD}",
                files.database.display(),
                aside.display()
            ));
            None
        }
    };
    let connection = match connection {
        Some(connection) => connection,
        None => create(&files)?,
    };
    migrations::migrate(&connection, MIGRATIONS).map_err(|source| failed(&files, source))?;
    let identity = files.identity().map_err(|source| StoreError::File {
        path: files.database.clone(),
        doing: "look at",
        source,
    })?;
    let store = Store {
        connection,
        files,
        identity,
    };
    for note in &notes {
        store.raise_alarm(Store::DAMAGED_ALARM, note, now)?;
    }
    Ok((store, notes))
}

enum Found {
    Absent,
    Sound(Connection),
    Damaged(String),
}

fn find_damage(files: &Files) -> Result<Found, StoreError> {
    let header = match check::read_header(&files.database) {
        Ok(header) => header,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Found::Absent),
        Err(source) => {
            return Err(StoreError::File {
                path: files.database.clone(),
                doing: "read",
                source,
            });
        }
    };
    let doubt = match header {
        Header::Damaged(words) => return Ok(Found::Damaged(words.to_owned())),
        Header::Sound { version, doubt } => {
            refuse_newer(files, version)?;
            doubt
        }
    };
    files.close_to_others()?;
    let all = doubt == Doubt::CheckAll || !files.was_checked();
    match examine(files, all) {
        Ok(found) => Ok(found),
        Err(StoreError::Sql { source, .. }) if check::is_damage(&source) => {
            Ok(Found::Damaged(source.to_string()))
        }
        Err(error) => Err(error),
    }
}

/// Look inside. The connection is closed again before anything is moved.
fn examine(files: &Files, all: bool) -> Result<Found, StoreError> {
    let sql = |source| failed(files, source);
    let connection = connect(files).map_err(sql)?;
    refuse_newer(files, migrations::version(&connection).map_err(sql)?)?;
    let id: i64 = connection
        .pragma_query_value(None, "application_id", |row| row.get(0))
        .map_err(sql)?;
    if id != APPLICATION_ID {
        return Err(StoreError::NotOurs {
            path: files.database.clone(),
        });
    }
    if all {
        if let Some(words) = check::check_all(&connection).map_err(sql)? {
            return Ok(Found::Damaged(words));
        }
        files.remember_checked();
    }
    Ok(Found::Sound(connection))
}

fn refuse_newer(files: &Files, found: i64) -> Result<(), StoreError> {
    let known = migrations::known();
    if found > known {
        let path = files.database.clone();
        return Err(StoreError::Newer { path, found, known });
    }
    Ok(())
}

/// No database: a first start, unless other files tell of an earlier one. Its write-ahead log must not stay:
/// `SQLite` would replay it into the new database.
fn absent_note(files: &Files, now: Timestamp) -> Result<Option<String>, StoreError> {
    let companions = files.companions().iter().any(|path| path.exists());
    let aside = if companions {
        Some(set_aside(files, now)?)
    } else {
        None
    };
    let logs = fs::read_dir(files.state_dir.join("logs"));
    let used = logs.is_ok_and(|mut entries| entries.next().is_some());
    if aside.is_none() && !used && !files.was_checked() {
        return Ok(None);
    }
    let kept = aside.map_or_else(String::new, |path| {
        format!(
            " what was left of it was set aside as `{}-wal`;",
            path.display()
        )
    });
    Ok(Some(format!(
        "`{}` was missing though hayloft has run here before;{kept} a new one was begun: {REBUILD}",
        files.database.display()
    )))
}

/// Make a database under another name and move it into place, so that an empty file is never a valid one.
fn create(files: &Files) -> Result<Connection, StoreError> {
    let fresh = files.state_dir.join("hayloft.db.new");
    let failed_file = |doing| {
        let path = fresh.clone();
        move |source| StoreError::File {
            path,
            doing,
            source,
        }
    };
    // What a cut-short creation left behind; its journal would be rolled back into the new file.
    let _ = fs::remove_file(files.state_dir.join("hayloft.db.new-journal"));
    Files::create_private(&fresh).map_err(failed_file("make"))?;
    let migrate = || -> rusqlite::Result<()> {
        let connection = Connection::open(&fresh)?;
        migrations::migrate(&connection, MIGRATIONS)?;
        connection.close().map_err(|(_, error)| error)
    };
    migrate().map_err(|source| failed(files, source))?;
    fs::rename(&fresh, &files.database).map_err(failed_file("put in place"))?;
    files.flush_folder().map_err(failed_file("flush"))?;
    files.remember_checked();
    connect(files).map_err(|source| failed(files, source))
}

/// A connection as everything uses it. Never creates a file.
fn connect(files: &Files) -> rusqlite::Result<Connection> {
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(&files.database, flags)?;
    connection.busy_timeout(BUSY)?;
    connection.pragma_update(None, "journal_mode", "WAL")?;
    connection.pragma_update(None, "synchronous", "FULL")?;
    connection.pragma_update(None, "journal_size_limit", 8 << 20)?;
    connection.pragma_update(None, "cell_size_check", true)?;
    Ok(connection)
}

fn failed(files: &Files, source: rusqlite::Error) -> StoreError {
    StoreError::Sql {
        path: files.database.clone(),
        doing: "open the record",
        source,
    }
}
