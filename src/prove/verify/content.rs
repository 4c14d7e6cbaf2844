//! Reads one file from the disk, not from memory, and works out its digest.

use std::ffi::OsStr;
use std::io;
use std::os::fd::{BorrowedFd, OwnedFd};

use rustix::fs::{Advice, FileType, Mode, OFlags, Stat, fadvise, fstat, openat};
use rustix::io::Errno;
use sha2::{Digest as _, Sha256};

use super::pace::{Pace, ToldToStop};
use crate::prove::manifest::Digest;

/// Files are read in pieces of this many bytes.
pub const PIECE: usize = 1 << 20;

/// A piece of memory that is used again for each file.
pub fn buffer() -> Vec<u8> {
    vec![0; PIECE]
}

/// Why there is no digest.
#[derive(Debug)]
pub enum Unread {
    Stop,
    Error(io::Error),
}

impl From<ToldToStop> for Unread {
    fn from(_: ToldToStop) -> Self {
        Self::Stop
    }
}

impl From<Errno> for Unread {
    fn from(error: Errno) -> Self {
        Self::Error(error.into())
    }
}

/// A file that was read to its end.
#[derive(Debug)]
pub struct ReadFile {
    pub digest: Digest,
    pub bytes: u64,
    /// As it was when the file was opened.
    pub stat: Stat,
}

/// Opens a file below a folder for reading: follows no link, waits for no pipe, leaves no trace where it may.
///
/// # Errors
/// What the system said.
pub fn open_file(folder: BorrowedFd, name: &OsStr) -> io::Result<OwnedFd> {
    let flags = OFlags::RDONLY | OFlags::NOFOLLOW | OFlags::NONBLOCK | OFlags::CLOEXEC;
    match openat(folder, name, flags | OFlags::NOATIME, Mode::empty()) {
        // only the owner and root may read without leaving a time (open(2))
        Err(Errno::PERM) => Ok(openat(folder, name, flags, Mode::empty())?),
        other => Ok(other?),
    }
}

/// Reads a file. What the system holds of it in memory is dropped first, since that would prove nothing about the disk; and
/// again afterwards, since a server needs its memory for other things.
///
/// # Errors
/// [`Unread::Error`] with what the system said, or [`Unread::Stop`].
pub fn read_file(file: &OwnedFd, pace: &Pace, buffer: &mut [u8]) -> Result<ReadFile, Unread> {
    let stat = fstat(file)?;
    if FileType::from_raw_mode(stat.st_mode) != FileType::RegularFile {
        return Err(Unread::Error(io::Error::other("it is not a file any more")));
    }
    let length = u64::try_from(stat.st_size).unwrap_or(0);
    // advice is worth a try and nothing more
    let _ = fadvise(file, 0, None, Advice::DontNeed);
    if length > PIECE as u64 {
        let _ = fadvise(file, 0, None, Advice::Sequential);
    }
    let (mut hasher, mut bytes) = (Sha256::new(), 0_u64);
    loop {
        let piece = next_piece(length, bytes, buffer.len());
        pace.before(piece)?;
        let count = match rustix::io::read(file, &mut *buffer) {
            Err(Errno::INTR) => continue,
            other => other?,
        };
        if count == 0 {
            break;
        }
        hasher.update(&buffer[..count]);
        bytes += count as u64;
        // a file that ends where it should needs no other read to see that
        if bytes == length && count < buffer.len() {
            break;
        }
    }
    let _ = fadvise(file, 0, None, Advice::DontNeed);
    Ok(ReadFile {
        digest: Digest(hasher.finalize().into()),
        bytes,
        stat,
    })
}

fn next_piece(length: u64, bytes: u64, most: usize) -> u64 {
    length.saturating_sub(bytes).min(most as u64)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::fd::AsFd;

    fn digest_of(content: &[u8]) -> (String, u64) {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("f"), content).unwrap();
        let dir = OwnedFd::from(std::fs::File::open(folder.path()).unwrap());
        let file = open_file(dir.as_fd(), OsStr::new("f")).unwrap();
        let pace = Pace::new(None, &|| false, &|| false, &|_| {});
        let read = read_file(&file, &pace, &mut buffer()).unwrap();
        (read.digest.to_string(), read.bytes)
    }

    #[test]
    fn the_digest_is_that_of_fips_180_4() {
        // FIPS 180-4 examples, from memory; coreutils gives the same
        let abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        assert_eq!(digest_of(b"abc"), (abc.to_owned(), 3));
        let empty = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855";
        assert_eq!(digest_of(b""), (empty.to_owned(), 0));
        // FIPS 180-4: a million times `a`
        let million = "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0";
        assert_eq!(
            digest_of(&vec![b'a'; 1_000_000]),
            (million.to_owned(), 1_000_000)
        );
    }

    #[test]
    fn every_length_around_a_piece_is_read_to_its_end() {
        for length in [PIECE - 1, PIECE, PIECE + 1, 2 * PIECE, 3 * PIECE + 17] {
            let content = vec![b'x'; length];
            let expected = Digest(Sha256::digest(&content).into()).to_string();
            assert_eq!(digest_of(&content), (expected, length as u64));
        }
    }

    #[test]
    fn a_link_is_not_followed() {
        let folder = tempfile::tempdir().unwrap();
        std::os::unix::fs::symlink("/etc/passwd", folder.path().join("l")).unwrap();
        let dir = OwnedFd::from(std::fs::File::open(folder.path()).unwrap());
        assert!(open_file(dir.as_fd(), OsStr::new("l")).is_err());
    }
}
