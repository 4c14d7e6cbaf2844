//! Moves a damaged database out of the way, with all its files, and never over anything.

use std::fs;
use std::path::PathBuf;

use jiff::Timestamp;

use super::StoreError;
use super::files::Files;
use crate::record::GenerationName;

/// Rename the database and its companions, as far as they are there, to
/// `hayloft.db.damaged-20261125T023000Z`, `…-wal` and `…-shm`. The new name of the database.
pub(super) fn set_aside(files: &Files, now: Timestamp) -> Result<PathBuf, StoreError> {
    let target = free_name(files, now);
    let [wal, shm] = files.companions();
    // The database goes last: when this is cut short, the next opening finds it still damaged.
    for (from, suffix) in [(&wal, "-wal"), (&shm, "-shm"), (&files.database, "")] {
        let mut to = target.clone().into_os_string();
        to.push(suffix);
        match fs::rename(from, &to) {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => {
                return Err(StoreError::File {
                    path: from.clone(),
                    doing: "set aside the damaged",
                    source: error,
                });
            }
            _ => {}
        }
    }
    files.flush_folder().map_err(|source| StoreError::File {
        path: files.state_dir.clone(),
        doing: "flush the folder",
        source,
    })?;
    Ok(target)
}

fn free_name(files: &Files, now: Timestamp) -> PathBuf {
    let time = GenerationName::at(now);
    let named = |suffix: String| {
        files
            .state_dir
            .join(format!("hayloft.db.damaged-{time}{suffix}"))
    };
    let taken = |path: &PathBuf| {
        ["", "-wal", "-shm"].iter().any(|suffix| {
            let mut name = path.clone().into_os_string();
            name.push(suffix);
            fs::symlink_metadata(name).is_ok()
        })
    };
    let numbered = (2_u32..).map(|number| named(format!("-{number}")));
    std::iter::once(named(String::new()))
        .chain(numbered)
        .find(|path| !taken(path))
        .unwrap_or_else(|| named(String::new()))
}
