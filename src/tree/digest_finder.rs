//! Finds the digest of one file: what is known from before where it is proven to hold, else by reading.

use std::ffi::OsStr;
use std::os::fd::{AsFd, OwnedFd};
use std::os::unix::ffi::OsStrExt;
use std::sync::atomic::{AtomicU64, Ordering};

use rustix::fs::{Mode, OFlags, fstat, openat};
use rustix::io::Errno;

use super::Trouble;
use super::describe::{Of, Proof, Wanted};
use super::folder::{changed, is_before};
use super::index::{Marks, Seen, SeenKind};
use super::reading::digest_of;
use crate::prove::manifest::Digest;

pub struct Finder<'a> {
    wanted: Wanted<'a>,
    read: AtomicU64,
    unsure: AtomicU64,
}

impl<'a> Finder<'a> {
    pub fn new(wanted: Wanted<'a>) -> Self {
        Self {
            wanted,
            read: AtomicU64::new(0),
            unsure: AtomicU64::new(0),
        }
    }

    /// How many files were read, and of how many it is not sure what the copy has.
    pub fn counts(self) -> (u64, u64) {
        (self.read.into_inner(), self.unsure.into_inner())
    }

    /// Gives what was seen with its digest; `None` where the file is gone meanwhile.
    ///
    /// # Errors
    /// When it cannot be read; [`Trouble::Halted`].
    pub fn with_digest(
        &self,
        here: &OwnedFd,
        mut seen: Seen,
        old: Option<&Seen>,
        path: &[u8],
    ) -> Result<Option<Seen>, Trouble> {
        self.wanted.halt.count_file();
        let several = seen.marks.has(Marks::SEVERAL);
        // of no use later: nothing is joined or counted by it
        seen.marks.drop(Marks::SEVERAL);
        if !matches!(seen.kind, SeenKind::File { .. }) {
            return Ok(Some(seen));
        }
        if let Some(known) = self.known(&seen, old, several) {
            seen.set_digest(known);
            return Ok(Some(seen));
        }
        if let Of::Source { begun, .. } = self.wanted.of
            && !is_before(seen.changed, begun)
        {
            return Ok(Some(self.unsure(seen)));
        }
        match self.read(here, &seen, path) {
            Ok(Some(digest)) => {
                seen.set_digest(digest);
                Ok(Some(seen))
            }
            Ok(None) => Ok(Some(self.unsure(seen))),
            Err(Errno::NOENT) => Ok(None),
            Err(error) => {
                self.wanted.halt.look()?;
                Err(self.wanted.wrong(path, error))
            }
        }
    }

    fn unsure(&self, mut seen: Seen) -> Seen {
        self.unsure.fetch_add(1, Ordering::Relaxed);
        seen.marks.drop(Marks::SETTLED);
        seen
    }

    fn known(&self, seen: &Seen, old: Option<&Seen>, several: bool) -> Option<Digest> {
        let (old, earlier) = (old?, self.wanted.earlier?);
        let is_proven = match earlier.proof {
            Proof::Untouched => seen.is_untouched_since(old),
            // a file system without links may number its files anew each time: there, none has several names
            Proof::SameInode => {
                several
                    && seen.inode == old.inode
                    && seen.size() == old.size()
                    && seen.modified == old.modified
            }
        };
        old.digest().filter(|_| is_proven)
    }

    /// `None` for a file that changed while it was read.
    fn read(&self, here: &OwnedFd, seen: &Seen, path: &[u8]) -> Result<Option<Digest>, Errno> {
        let name = OsStr::from_bytes(&seen.name);
        let flags = OFlags::RDONLY | OFlags::CLOEXEC | OFlags::NOFOLLOW | OFlags::NONBLOCK;
        // the time of the last access is not ours to change; only the owner and root may ask for that
        let file = match openat(here, name, flags | OFlags::NOATIME, Mode::empty()) {
            Err(Errno::PERM) => openat(here, name, flags, Mode::empty()),
            Err(Errno::LOOP | Errno::NXIO) => return Ok(None),
            other => other,
        }?;
        let is_as_seen = |file: &OwnedFd| {
            fstat(file).is_ok_and(|stat| {
                stat.st_ino == seen.inode
                    && stat.st_size.cast_unsigned() == seen.size()
                    && changed(&stat) == seen.changed
            })
        };
        if !is_as_seen(&file) {
            return Ok(None);
        }
        self.read.fetch_add(1, Ordering::Relaxed);
        let halt = self.wanted.halt;
        let found = digest_of(file.as_fd(), halt, |error| self.wanted.wrong(path, error));
        match found {
            Ok((digest, length)) => {
                Ok((length == seen.size() && is_as_seen(&file)).then_some(digest))
            }
            Err(Trouble::Source { error, .. } | Trouble::Copy { error, .. }) => {
                Err(Errno::from_io_error(&error).unwrap_or(Errno::IO))
            }
            Err(_) => Err(Errno::CANCELED),
        }
    }
}
