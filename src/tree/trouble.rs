//! What can go wrong with one name of a tree.

use std::ffi::OsStr;
use std::fmt;
use std::io;
use std::os::unix::ffi::OsStrExt;
use std::path::Path;

#[derive(Debug)]
pub enum Trouble {
    /// Ended from outside; the one who wanted it knows why.
    Halted,
    /// Reading the source.
    Source { path: Vec<u8>, error: io::Error },
    /// Writing to the drive.
    Drive { path: Vec<u8>, error: io::Error },
    /// Reading back what a tool copied to the drive.
    Copy { path: Vec<u8>, error: io::Error },
    /// hayloft's own index of the source, on the server.
    Index(io::Error),
}

impl Trouble {
    pub fn source(path: &[u8], error: impl Into<io::Error>) -> Self {
        Self::Source {
            path: path.to_owned(),
            error: error.into(),
        }
    }

    pub fn drive(path: &[u8], error: impl Into<io::Error>) -> Self {
        Self::Drive {
            path: path.to_owned(),
            error: error.into(),
        }
    }
}

impl fmt::Display for Trouble {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let path = |bytes: &[u8]| Path::new(OsStr::from_bytes(bytes)).display().to_string();
        match self {
            Self::Halted => write!(f, "ended from outside"),
            Self::Source { path: at, error } => {
                write!(f, "`{}` of the source could not be read: {error}", path(at))
            }
            Self::Copy { path: at, error } => {
                write!(f, "`{}` of the copy could not be read: {error}", path(at))
            }
            Self::Drive { path: at, error } => {
                write!(f, "`{}` could not be written: {error}", path(at))
            }
            Self::Index(error) => write!(f, "the index of the source: {error}"),
        }
    }
}
