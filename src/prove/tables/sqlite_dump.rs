//! Exports an SQLite database while others use it: SQLite's own backup copies it into memory, where it is checked and
//! counted (<https://www.sqlite.org/backup.html>).

use std::fs::{self, File};
use std::io::{self, Read as _, Write};
use std::path::{Path, PathBuf};
use std::thread;
use std::time::{Duration, Instant};

use rusqlite::backup::{Backup, StepResult};
use rusqlite::{Connection, OpenFlags};

use super::sqlite::{measure, wrong};
use super::{Tables, TablesError};
use crate::system::own_memory;

/// How long another process may keep the database to itself.
const PATIENCE: Duration = Duration::from_secs(60);
const REST: Duration = Duration::from_millis(50);
/// Beside the copy: what SQLite itself writes while it looks into it.
const MARGIN: u64 = 64 << 20;

/// Writes the database to `output` and gives its figures. `scratch` is an empty folder: a file system that is in memory
/// only is mounted on it, which vanishes with the mount namespace that this process must have of its own.
///
/// # Errors
/// When the database cannot be read, is damaged or does not fit into memory.
pub fn dump(file: &Path, scratch: &Path, mut output: impl Write) -> Result<Tables, TablesError> {
    let file = fs::canonicalize(file).map_err(|error| TablesError::file(file, error))?;
    let live = open_live(&file)?;
    let size = size(&live).map_err(|error| wrong(&file, &error))?;
    let room = size.saturating_add(size / 8).saturating_add(MARGIN);
    if let Some(free) = own_memory::available().filter(|free| *free < room) {
        return Err(TablesError::Sqlite {
            file,
            words: format!(
                "its copy of {} MB does not fit into the memory, of which {} MB are free; nothing of it is written \
                 to a disk in clear text",
                room / 1_000_000,
                free / 1_000_000
            ),
        });
    }
    own_memory::mount_own(scratch, room).map_err(|error| TablesError::file(scratch, error))?;
    let copy = scratch.join("copy");
    let tables = copy_whole(&live, &file, &copy)?;
    drop(live);
    let mut copied = File::open(&copy).map_err(|error| TablesError::file(&copy, error))?;
    io::copy(&mut copied, &mut output).map_err(TablesError::Output)?;
    output.flush().map_err(TablesError::Output)?;
    Ok(tables)
}

fn copy_whole(live: &Connection, file: &Path, copy: &Path) -> Result<Tables, TablesError> {
    let said = |error: rusqlite::Error| wrong(file, &error);
    let mut target = Connection::open(copy).map_err(said)?;
    let backup = Backup::new(live, &mut target).map_err(said)?;
    let begin = Instant::now();
    loop {
        // all in one go, so that it is of one moment
        match backup.step(-1).map_err(said)? {
            StepResult::Done => break,
            _ if begin.elapsed() > PATIENCE => {
                return Err(TablesError::Sqlite {
                    file: file.to_owned(),
                    words: format!(
                        "another process kept it to itself for {} s",
                        PATIENCE.as_secs()
                    ),
                });
            }
            _ => thread::sleep(REST),
        }
    }
    drop(backup);
    measure(&target, file)
}

/// Without leaving anything beside the live file that was not there. Where there is no `-wal` file, opening to write
/// makes one and takes it away again; SQLite gives it the owner of the database. Where there is one, another process
/// uses it, and opening to read leaves it alone (<https://www.sqlite.org/wal.html>, "Read-Only Databases").
fn open_live(file: &Path) -> Result<Connection, TablesError> {
    let said = |error: rusqlite::Error| wrong(file, &error);
    let header = header(file).map_err(|error| TablesError::file(file, error))?;
    if !header.starts_with(b"SQLite format 3\0") {
        return Err(TablesError::Sqlite {
            file: file.to_owned(),
            words: "this is no file of SQLite 3, or it is empty".to_owned(),
        });
    }
    // bytes 18 and 19 of the header (https://www.sqlite.org/fileformat.html, 1.3.3)
    let is_wal = header.get(18) == Some(&2);
    let opens_alone = is_wal && !beside(file, "-wal").exists();
    // what a killed process left half written must be taken back before anybody can read
    let may_be_half_written = beside(file, "-journal").exists();
    let access = if opens_alone || may_be_half_written {
        OpenFlags::SQLITE_OPEN_READ_WRITE
    } else {
        OpenFlags::SQLITE_OPEN_READ_ONLY
    };
    let flags = access | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let live = Connection::open_with_flags(file, flags).map_err(said)?;
    live.busy_timeout(PATIENCE).map_err(said)?;
    Ok(live)
}

fn header(file: &Path) -> io::Result<Vec<u8>> {
    let mut header = Vec::new();
    File::open(file)?.take(100).read_to_end(&mut header)?;
    Ok(header)
}

/// A file whose name is that of the database with something behind it.
pub(super) fn beside(file: &Path, ending: &str) -> PathBuf {
    let mut name = file.as_os_str().to_owned();
    name.push(ending);
    name.into()
}

fn size(live: &Connection) -> rusqlite::Result<u64> {
    let pragma = |name: &str| live.pragma_query_value(None, name, |row| row.get::<_, i64>(0));
    let (pages, length) = (pragma("page_count")?, pragma("page_size")?);
    Ok(u64::try_from(pages.saturating_mul(length)).unwrap_or(0))
}
