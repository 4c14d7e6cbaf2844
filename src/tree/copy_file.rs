//! Copies one file with everything it has, and works out its digest in the same read.

use std::ffi::OsStr;
use std::io;
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::os::unix::ffi::OsStrExt;

use rustix::fs::{
    FileType, Mode, OFlags, Stat, Timespec, Timestamps, UTIME_OMIT, fchmod, fchown, fstat,
    ftruncate, futimens, openat,
};
use rustix::io::Errno;

use super::copy_content::copy_content;
use super::folder::{changed, is_settled, modified, now, write_out};
use super::halt::Halt;
use super::index::{Marks, Seen, SeenKind};
use super::{Trouble, attributes};
use crate::prove::manifest::Time;

/// What became of a file that was to be copied.
#[derive(Debug)]
pub enum Copied {
    /// What was copied: as the source was when the reading began.
    Whole(Seen),
    /// As [`Self::Whole`], by a link to what was copied before.
    Shared(Seen),
    /// It was no longer there.
    Gone,
    /// It is no longer a file of one name.
    Otherwise,
}

/// The folders of a file, open, and its name.
#[derive(Clone, Copy)]
pub struct Place<'a> {
    pub source: BorrowedFd<'a>,
    pub copy: BorrowedFd<'a>,
    pub name: &'a [u8],
    /// The file's absolute path on the source, for messages.
    pub path: &'a [u8],
    /// What is made in `copy` gets no attributes from it, as from a default ACL (acl(5)).
    pub gives_nothing: bool,
}

impl Place<'_> {
    pub fn read(&self, error: impl Into<io::Error>) -> Trouble {
        Trouble::source(self.path, error)
    }

    pub fn written(&self, error: impl Into<io::Error>) -> Trouble {
        Trouble::drive(self.path, error)
    }
}

/// Copies `seen` to a new file of the same name.
///
/// # Errors
/// With the path, and whether it was the source or the drive.
pub fn copy(place: Place, seen: &Seen, halt: &Halt) -> Result<Copied, Trouble> {
    let looked = now();
    let source = match open_source(place) {
        Ok(source) => source,
        Err(Errno::NOENT | Errno::NOTDIR) => return Ok(Copied::Gone),
        Err(Errno::LOOP | Errno::NXIO) => return Ok(Copied::Otherwise),
        Err(error) => return Err(place.read(error)),
    };
    write_out(source.as_fd(), seen.changed);
    let stat = fstat(&source).map_err(|error| place.read(error))?;
    if FileType::from_raw_mode(stat.st_mode) != FileType::RegularFile || !is_of(seen, &stat) {
        return Ok(Copied::Otherwise);
    }
    let wanted = attributes::of(source.as_fd()).map_err(|error| place.read(error))?;
    let is_bare = wanted.is_empty() && place.gives_nothing;
    let flags = OFlags::WRONLY | OFlags::CREATE | OFlags::EXCL | OFlags::CLOEXEC | OFlags::NOFOLLOW;
    let name = OsStr::from_bytes(place.name);
    let copy = openat(place.copy, name, flags, Mode::RUSR | Mode::WUSR)
        .map_err(|error| place.written(error))?;
    let (digest, size) = copy_content(place, &source, &copy, &stat, halt)?;
    let blocks = give(&copy, &stat, (!is_bare).then_some(&wanted), size)
        .map_err(|error| place.written(error))?;
    halt.count_file();
    let kind = SeenKind::File {
        size,
        digest: Some(digest),
    };
    Ok(Copied::Whole(told(seen, &stat, looked, kind, blocks)))
}

/// Whether a file has one name as it had, or is the very file whose several names are known.
fn is_of(seen: &Seen, stat: &Stat) -> bool {
    if seen.marks.has(Marks::SEVERAL) {
        stat.st_ino == seen.inode
    } else {
        stat.st_nlink <= 1
    }
}

pub fn open_source(place: Place) -> rustix::io::Result<OwnedFd> {
    let flags = OFlags::RDONLY | OFlags::CLOEXEC | OFlags::NOFOLLOW | OFlags::NONBLOCK;
    let name = OsStr::from_bytes(place.name);
    // the time of the last access is not ours to change; only the owner and root may ask for that
    match openat(place.source, name, flags | OFlags::NOATIME, Mode::empty()) {
        Err(Errno::PERM) => openat(place.source, name, flags, Mode::empty()),
        other => other,
    }
}

/// Gives a copy all but its content, and tells the blocks it takes. Its attributes are left alone if none are named.
fn give(
    copy: &OwnedFd,
    stat: &Stat,
    wanted: Option<&attributes::Attributes>,
    size: u64,
) -> io::Result<u64> {
    let mut made = fstat(copy)?;
    // a hole at the end
    if made.st_size.cast_unsigned() < size {
        ftruncate(copy, size)?;
    }
    // before the mode: a change of owner takes set-user-ID bits and capabilities away (chown(2))
    if (made.st_uid, made.st_gid) != (stat.st_uid, stat.st_gid) {
        own(copy.as_fd(), stat.st_uid, stat.st_gid)?;
    }
    fchmod(copy, Mode::from_raw_mode(stat.st_mode & 0o7777))?;
    if let Some(wanted) = wanted {
        attributes::put(copy.as_fd(), wanted)?;
        made = fstat(copy)?;
    }
    set_modified(copy.as_fd(), modified(stat))?;
    Ok(made.st_blocks.cast_unsigned())
}

pub fn own(file: BorrowedFd, uid: u32, gid: u32) -> io::Result<()> {
    let (uid, gid) = (
        rustix::fs::Uid::from_raw(uid),
        rustix::fs::Gid::from_raw(gid),
    );
    Ok(fchown(file, Some(uid), Some(gid))?)
}

pub fn set_modified(file: BorrowedFd, time: Time) -> io::Result<()> {
    Ok(futimens(file, &times(time))?)
}

/// The time of the last access stays.
pub fn times(modified: Time) -> Timestamps {
    Timestamps {
        last_access: Timespec {
            tv_sec: 0,
            tv_nsec: UTIME_OMIT,
        },
        last_modification: Timespec {
            tv_sec: modified.seconds,
            tv_nsec: modified.nanos.into(),
        },
    }
}

/// What was copied of `seen`, for the index. `looked` is when the reading began.
pub fn told(seen: &Seen, stat: &Stat, looked: Time, kind: SeenKind, blocks: u64) -> Seen {
    let mut marks = Marks::default();
    if seen.marks.has(Marks::SEVERAL) {
        marks.put(Marks::SEVERAL);
    }
    let changed = changed(stat);
    if is_settled(changed, looked) {
        marks.put(Marks::SETTLED);
    }
    Seen {
        name: seen.name.clone(),
        kind,
        mode: stat.st_mode & 0o7777,
        uid: stat.st_uid,
        gid: stat.st_gid,
        modified: modified(stat),
        changed,
        inode: stat.st_ino,
        file_system: seen.file_system,
        marks,
        born: seen.born,
        blocks,
    }
}
