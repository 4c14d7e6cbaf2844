//! Makes room for an export in place of a live database of MariaDB, whose databases cannot be renamed: the live one is
//! kept as a dump, which is checked before anything is dropped, and loaded again when anything fails.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Write};
use std::os::unix::fs::{DirBuilderExt as _, OpenOptionsExt as _};
use std::path::{Path, PathBuf};
use std::process::Stdio;

use super::aside::{flush_above, rename_new};
use crate::prove::tables::{self, MariadbSession, Tables, TablesError};
use crate::restore::unseal;
use crate::system::{command_of, ended};
use crate::tools::Ended;
use crate::tools::mariadb::{self, MariadbServer};
use crate::tools::seal::Opener;

/// The last line of a dump that came to its end (mariadb-dump(1), with `--skip-dump-date`).
const END: &[u8] = b"-- Dump completed\n";

/// Where a live database is kept, and how that is opened.
#[derive(Debug, Clone)]
pub struct Kept {
    /// The dump while the live one is there; none where there is no such database.
    pub keeping: Option<PathBuf>,
    /// Its name from the moment that the live one is dropped; empty where there was none.
    pub before: PathBuf,
    /// The figures of what is kept.
    pub tables: PathBuf,
    /// None when it is not closed.
    pub opener: Option<Opener>,
}

/// Writes all of `input` to a new file that only its owner can read, flushed.
///
/// # Errors
/// When the file is there already, or the system says no.
pub fn keep(mut input: impl Read, to: &Path) -> io::Result<()> {
    let mut file = new_file(to)?;
    io::copy(&mut input, &mut file)?;
    file.sync_all()?;
    flush_above(to)
}

/// Drops the live database, if it still holds what is kept of it, and makes an empty one as `options` say. Nobody else
/// can write to its tables from the comparison on.
///
/// # Errors
/// When what is kept is not whole, or not all that the live one holds: then it was not touched.
pub fn replace(
    server: &MariadbServer,
    database: &str,
    options: &str,
    kept: &Kept,
) -> Result<(), TablesError> {
    let mut session = MariadbSession::plain(server)?;
    let file = |error| TablesError::file(&kept.before, error);
    if let Some(keeping) = &kept.keeping {
        let held = Tables::read(&kept.tables)?;
        must_be_all(&held).map_err(|words| untouched(database, &words))?;
        must_open(keeping, kept.opener.as_ref()).map_err(|words| untouched(database, &words))?;
        session.end_others(database)?;
        session.lock(&held)?;
        let found = tables::compare(&held, &session.describe(database)?);
        if let Some(difference) = found.differences.first() {
            let words = format!(
                "it was written to while it was kept ({difference}): stop what uses it first"
            );
            return Err(untouched(database, &words));
        }
        File::open(&kept.tables)
            .and_then(|figures| figures.sync_all())
            .and_then(|()| rename_new(keeping, &kept.before))
            .and_then(|()| flush_above(&kept.before))
            .map_err(file)?;
        session.drop_tables(&held)?;
        session.drop_database(database)?;
    } else {
        if session.has(database)? {
            return Err(untouched(database, "it was made meanwhile; begin again"));
        }
        new_file(&kept.before)
            .and_then(|empty| empty.sync_all())
            .and_then(|()| flush_above(&kept.before))
            .map_err(file)?;
    }
    session.create(database, options)?;
    session.end()
}

/// Whatever was done of [`replace`] and after it: the live database holds again what it held, and what was kept is
/// removed. May be done twice.
///
/// # Errors
/// When the server says no, or it does not hold the same; what was kept then stays.
pub fn put_back(server: &MariadbServer, database: &str, kept: &Kept) -> Result<(), TablesError> {
    let file = |error| TablesError::file(&kept.before, error);
    let there = match fs::metadata(&kept.before) {
        Ok(found) => Some(found.len()),
        Err(error) if error.kind() == io::ErrorKind::NotFound => None,
        Err(error) => return Err(file(error)),
    };
    match there {
        None => {}
        Some(0) => {
            let mut session = MariadbSession::plain(server)?;
            session.end_others(database)?;
            session.drop_database(database)?;
            session.end()?;
        }
        Some(_) => load_again(server, database, kept)?,
    }
    // the figures are of use until the dump is gone
    let files = [
        Some(&kept.before),
        kept.keeping.as_ref(),
        Some(&kept.tables),
    ];
    for path in files.into_iter().flatten() {
        match fs::remove_file(path) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => {
                return Err(TablesError::file(path, error));
            }
            _ => {}
        }
    }
    Ok(())
}

fn load_again(server: &MariadbServer, database: &str, kept: &Kept) -> Result<(), TablesError> {
    let held = Tables::read(&kept.tables)?;
    let options = held.creation.as_ref().map_or("", |made| &made.options);
    let mut session = MariadbSession::plain(server)?;
    session.end_others(database)?;
    session.drop_database(database)?;
    session.create(database, options)?;
    session.end()?;
    let argv = mariadb::load(server, database);
    let failed = |words: String| TablesError::Program {
        command: argv.to_string(),
        words,
    };
    let started = command_of(&argv).stdin(Stdio::piped()).spawn();
    let mut child = started.map_err(|error| failed(format!("no start: {error}")))?;
    let input = child.stdin.take();
    let written = match input {
        Some(input) => open_into(&kept.before, kept.opener.as_ref(), input),
        None => Err("it has no standard input".to_owned()),
    };
    let status = child.wait();
    let end = ended(status.map_err(|error| failed(error.to_string()))?);
    if end != Ended::WELL {
        return Err(failed(end.words()));
    }
    written.map_err(|words| TablesError::Kept {
        database: database.to_owned(),
        words,
    })?;
    let found = tables::compare(&held, &tables::measure_mariadb(server, database)?);
    match found.differences.first() {
        None => Ok(()),
        Some(difference) => Err(TablesError::Kept {
            database: database.to_owned(),
            words: format!("what was kept was loaded again, and is not the same: {difference}"),
        }),
    }
}

/// A dump holds not everything of every table: what it would lose must not be dropped.
fn must_be_all(held: &Tables) -> Result<(), String> {
    use crate::prove::tables::Certainty;
    for table in &held.tables {
        let why = match table.certainty {
            Certainty::Exact => continue,
            Certainty::Rounded => "has columns of type float, of which a dump loses digits",
            Certainty::PresentRows => "keeps its history, which a dump loses",
            Certainty::ChangedMeanwhile | Certainty::FilledAnew => {
                "was written to while it was kept: stop what uses it first"
            }
        };
        return Err(format!("{table} {why}"));
    }
    if held.events_are_untold() {
        return Err(
            "the server was started with `event_scheduler=DISABLED` and tells of no events, which would be lost"
                .to_owned(),
        );
    }
    Ok(())
}

/// That it is whole, and opens with the secret that the way back will use.
fn must_open(file: &Path, opener: Option<&Opener>) -> Result<(), String> {
    let mut last = Last(Vec::new());
    open_into(file, opener, &mut last)?;
    if last.0.ends_with(END) {
        Ok(())
    } else {
        Err(format!("what is kept in `{}` is not whole", file.display()))
    }
}

fn open_into(file: &Path, opener: Option<&Opener>, mut to: impl Write) -> Result<(), String> {
    let named = |words: &dyn std::fmt::Display| format!("`{}`: {words}", file.display());
    let input = File::open(file).map_err(|error| named(&error))?;
    match opener {
        Some(opener) => unseal(opener, input, to).map_err(|error| named(&error)),
        None => io::copy(&mut &input, &mut to)
            .map(drop)
            .map_err(|error| named(&error)),
    }
}

/// Keeps the end of what is written to it.
struct Last(Vec<u8>);

impl Write for Last {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0
            .extend(&bytes[bytes.len().saturating_sub(END.len())..]);
        let extra = self.0.len().saturating_sub(END.len());
        self.0.drain(..extra);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

fn untouched(database: &str, words: &str) -> TablesError {
    TablesError::Kept {
        database: database.to_owned(),
        words: format!("{words}; it was not touched"),
    }
}

fn new_file(path: &Path) -> io::Result<File> {
    if let Some(folder) = path.parent() {
        let mut builder = fs::DirBuilder::new();
        builder.recursive(true).mode(0o700).create(folder)?;
    }
    let mut options = OpenOptions::new();
    options.write(true).create_new(true).mode(0o600).open(path)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_dump_that_does_not_say_that_it_is_complete_is_not_whole() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("studio.sql");
        for (text, is_whole) in [
            ("INSERT INTO bowls;\n-- Dump completed\n", true),
            ("-- Dump completed\n", true),
            ("-- Dump completed\nINSERT", false),
            ("INSERT INTO bowls;\n-- Dump comp", false),
            ("", false),
        ] {
            fs::write(&path, text).unwrap();
            assert_eq!(must_open(&path, None).is_ok(), is_whole, "{text}");
        }
        let mut last = Last(Vec::new());
        for byte in b"...-- Dump completed\n" {
            last.write_all(&[*byte]).unwrap();
        }
        assert_eq!(last.0, END);
    }
}
