//! Looks at names below a folder that is held open, following no link.

use std::collections::HashSet;
use std::ffi::OsStr;
use std::hash::{BuildHasher, RandomState};
use std::io;
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::os::unix::ffi::OsStrExt;

use rustix::fs::{
    AtFlags, Dir, FileType, Mode, OFlags, Stat, fstat, major, minor, openat, readlinkat, statat,
};

use crate::prove::manifest::{Entry, EntryKind, Time};

/// What is there, in the words of a manifest but without path and digest, and which inode it is.
#[derive(Debug)]
pub struct Seen {
    pub entry: Entry,
    pub device: u64,
    pub inode: u64,
    pub links: u64,
    /// When anything about the inode was changed last: seconds, nanoseconds.
    pub changed: (i64, u64),
}

/// # Errors
/// What the system said.
pub fn look(folder: BorrowedFd, name: &[u8]) -> io::Result<Seen> {
    let name = OsStr::from_bytes(name);
    let stat = statat(folder, name, AtFlags::SYMLINK_NOFOLLOW)?;
    let mut seen = seen(&stat);
    if let EntryKind::Link { target } = &mut seen.entry.kind {
        *target = readlinkat(folder, name, Vec::new())?.into_bytes();
    }
    Ok(seen)
}

/// # Errors
/// What the system said.
pub fn look_at_folder(folder: BorrowedFd) -> io::Result<Seen> {
    Ok(seen(&fstat(folder)?))
}

pub fn seen(stat: &Stat) -> Seen {
    let number = |device| (major(device), minor(device));
    let kind = match FileType::from_raw_mode(stat.st_mode) {
        FileType::Directory => EntryKind::Folder,
        FileType::Symlink => EntryKind::Link { target: Vec::new() },
        FileType::Fifo => EntryKind::Fifo,
        FileType::Socket => EntryKind::Socket,
        FileType::CharacterDevice => {
            let (major, minor) = number(stat.st_rdev);
            EntryKind::CharDevice { major, minor }
        }
        FileType::BlockDevice => {
            let (major, minor) = number(stat.st_rdev);
            EntryKind::BlockDevice { major, minor }
        }
        FileType::RegularFile | FileType::Unknown => EntryKind::File {
            size: u64::try_from(stat.st_size).unwrap_or(0),
            digest: None,
        },
    };
    Seen {
        entry: Entry {
            path: Vec::new(),
            kind,
            mode: stat.st_mode & 0o7777,
            uid: stat.st_uid,
            gid: stat.st_gid,
            time: Time {
                seconds: stat.st_mtime,
                nanos: u32::try_from(stat.st_mtime_nsec).unwrap_or(0),
            },
        },
        device: stat.st_dev,
        inode: stat.st_ino,
        #[allow(
            clippy::useless_conversion,
            reason = "its width is another on other processors"
        )]
        links: stat.st_nlink.into(),
        #[allow(
            clippy::useless_conversion,
            reason = "its width is another on other processors"
        )]
        changed: (stat.st_ctime, stat.st_ctime_nsec.into()),
    }
}

/// Opens a folder within another.
///
/// # Errors
/// What the system said; `NotADirectory` for a link.
pub fn open_folder(parent: BorrowedFd, name: &[u8]) -> io::Result<OwnedFd> {
    let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC | OFlags::NOFOLLOW;
    Ok(openat(
        parent,
        OsStr::from_bytes(name),
        flags,
        Mode::empty(),
    )?)
}

/// The names that a manifest has in one folder, in little memory: a hash of each.
#[derive(Debug, Default)]
pub struct Names {
    hasher: RandomState,
    hashes: HashSet<u64>,
}

impl Names {
    pub fn add(&mut self, name: &[u8]) {
        self.hashes.insert(self.hasher.hash_one(name));
    }

    /// Holds the folder against them.
    ///
    /// # Errors
    /// What the system said.
    pub fn compare(&self, folder: BorrowedFd) -> io::Result<Compared> {
        let (mut others, mut met) = (Vec::new(), 0);
        for entry in Dir::read_from(folder)? {
            let entry = entry?;
            let name = entry.file_name().to_bytes();
            if name == b"." || name == b".." {
                continue;
            }
            if self.hashes.contains(&self.hasher.hash_one(name)) {
                met += 1;
            } else {
                others.push(name.to_vec());
            }
        }
        others.sort();
        let lacks_some = met < self.hashes.len();
        Ok(Compared { others, lacks_some })
    }
}

/// A folder, held against the names that it should have.
#[derive(Debug)]
pub struct Compared {
    /// Names that it should not have, sorted.
    pub others: Vec<Vec<u8>>,
    /// Names are missing; which they are shows when they are looked at.
    pub lacks_some: bool,
}

/// All names below a folder that is extra, so that each is told.
///
/// # Errors
/// What the system said.
pub fn all_below(folder: BorrowedFd, path: &[u8], each: &mut dyn FnMut(&[u8])) -> io::Result<()> {
    let Ok(opened) = open_folder(folder, last_part(path)) else {
        // no folder
        return Ok(());
    };
    for name in Names::default().compare(opened.as_fd())?.others {
        let below = [path, b"/", &name].concat();
        each(&below);
        all_below(opened.as_fd(), &below, each)?;
    }
    Ok(())
}

/// The name behind the last `/`.
pub fn last_part(path: &[u8]) -> &[u8] {
    path.rsplit(|byte| *byte == b'/').next().unwrap_or(path)
}
