//! What can go wrong with the database, and what a person can do about it.

use std::fmt;
use std::io;
use std::path::PathBuf;

use rusqlite::ErrorCode;

#[derive(Debug)]
pub enum StoreError {
    /// A file or folder of the store could not be made, read or moved.
    File {
        path: PathBuf,
        doing: &'static str,
        source: io::Error,
    },
    /// A well-formed database that some other program made.
    NotOurs { path: PathBuf },
    /// Made by a newer version of hayloft.
    Newer {
        path: PathBuf,
        found: i64,
        known: i64,
    },
    /// Another process found the file damaged and set it aside while this one had it open.
    Replaced { path: PathBuf },
    /// `SQLite` refused.
    Sql {
        path: PathBuf,
        doing: &'static str,
        source: rusqlite::Error,
    },
    /// A run with this id is already recorded.
    RunExists { id: String },
    /// `finish_run` was given a run without its end or outcome.
    NotEnded { id: String },
}

impl fmt::Display for StoreError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::File {
                path,
                doing,
                source,
            } => {
                write!(f, "could not {doing} `{}`: {source}", path.display())
            }
            Self::NotOurs { path } => write!(
                f,
                "`{}` is a database of another program: move it away, or set another `state_dir` in `server.toml`",
                path.display()
            ),
            Self::Newer { path, found, known } => write!(
                f,
                "`{}` was made by a newer hayloft (its layout is number {found}, this version knows up to {known}): \
                 install that version again; the file was left as it is",
                path.display()
            ),
            Self::Replaced { path } => write!(
                f,
                "`{}` was set aside as damaged while it was open: start this command or `hayloft serve` again",
                path.display()
            ),
            Self::Sql {
                path,
                doing,
                source,
            } => {
                write!(f, "could not {doing} in `{}`: {source}", path.display())?;
                f.write_str(advice(source))
            }
            Self::RunExists { id } => write!(f, "run `{id}` is already recorded"),
            Self::NotEnded { id } => write!(f, "run `{id}` has no end or outcome yet"),
        }
    }
}

fn advice(error: &rusqlite::Error) -> &'static str {
    match error.sqlite_error_code() {
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => {
            "; another hayloft has been writing for long: try again"
        }
        Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => {
            "; it is damaged: run `hayloft check`, which sets it aside and begins a new one"
        }
        Some(ErrorCode::DiskFull) => "; make room on the file system of `state_dir`",
        Some(ErrorCode::ReadOnly | ErrorCode::CannotOpen | ErrorCode::PermissionDenied) => {
            "; run hayloft as root, and see that `state_dir` can be written"
        }
        Some(ErrorCode::SystemIoFailure) => {
            "; look whether the file system of `state_dir` is full (`df`) or its disk failing (`dmesg`)"
        }
        _ => "",
    }
}

impl std::error::Error for StoreError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::File { source, .. } => Some(source),
            Self::Sql { source, .. } => Some(source),
            _ => None,
        }
    }
}
