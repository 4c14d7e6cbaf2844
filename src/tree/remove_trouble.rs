//! What a removal met and could not remove, in words that say what to do.

use std::ffi::OsStr;
use std::fmt;
use std::io;
use std::os::fd::BorrowedFd;
use std::path::PathBuf;
use std::sync::{Mutex, PoisonError};

use rustix::fs::{AtFlags, StatxAttributes, StatxFlags, statx};
use rustix::io::Errno;

/// The first entry that could not be removed.
#[derive(Debug)]
pub struct RemoveError {
    /// From the name that was to be removed down.
    pub path: PathBuf,
    pub source: io::Error,
    /// How many more could not be removed.
    pub more: u64,
}

impl RemoveError {
    pub(super) fn of(path: PathBuf, source: io::Error) -> Self {
        Self {
            path,
            source,
            more: 0,
        }
    }
}

impl fmt::Display for RemoveError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let path = self.path.display();
        write!(f, "`{path}` could not be removed: {}", self.source)?;
        match self.more {
            0 => Ok(()),
            more => write!(f, "; nor could {more} more"),
        }
    }
}

impl std::error::Error for RemoveError {}

/// Collects from all threads; only the first is kept whole.
#[derive(Debug, Default)]
pub(super) struct Troubles(Mutex<Option<RemoveError>>);

impl Troubles {
    /// The kernel refused to remove `name` in `folder`.
    pub fn met(&self, folder: BorrowedFd, name: &OsStr, path: PathBuf, error: Errno) {
        self.add(path, in_words(folder, name, error));
    }

    pub fn add(&self, path: PathBuf, source: io::Error) {
        let mut first = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        match first.as_mut() {
            Some(first) => first.more += 1,
            None => *first = Some(RemoveError::of(path, source)),
        }
    }

    pub fn result(self) -> Result<(), RemoveError> {
        let first = self.0.into_inner().unwrap_or_else(PoisonError::into_inner);
        first.map_or(Ok(()), Err)
    }
}

/// What the kernel's number does not tell a person.
fn in_words(folder: BorrowedFd, name: &OsStr, error: Errno) -> io::Error {
    let kind = io::Error::from(error).kind();
    match error {
        Errno::XDEV | Errno::BUSY => io::Error::new(
            io::ErrorKind::ResourceBusy,
            "another file system is mounted there; unmount it",
        ),
        Errno::PERM if is_locked(folder, name) => io::Error::new(
            kind,
            "it is marked as immutable or append-only; `lsattr -d` shows it, `chattr -i -a` takes the mark off",
        ),
        Errno::PERM if is_locked(folder, OsStr::new("")) => io::Error::new(
            kind,
            "the folder it is in is marked as immutable or append-only; `chattr -i -a` takes the mark off",
        ),
        Errno::ROFS => io::Error::new(
            kind,
            "the file system or subvolume is read-only; for a subvolume: `btrfs property set -ts PATH ro false`",
        ),
        _ => error.into(),
    }
}

/// statx(2): the flags that keep even root from removing a name. An empty name stands for the folder.
fn is_locked(folder: BorrowedFd, name: &OsStr) -> bool {
    let flags = AtFlags::SYMLINK_NOFOLLOW | AtFlags::EMPTY_PATH;
    let locks = StatxAttributes::IMMUTABLE | StatxAttributes::APPEND;
    statx(folder, name, flags, StatxFlags::empty())
        .is_ok_and(|found| found.stx_attributes.intersects(locks))
}
