//! Reads the names in a folder of the source, with what the kernel knows of each.

use std::ffi::OsStr;
use std::io;
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::os::unix::ffi::OsStrExt;
use std::sync::Arc;

use rustix::fs::{
    Advice, AtFlags, Dir, FileType, Mode, OFlags, Stat, fadvise, openat, readlinkat, statat,
};
use rustix::io::Errno;

use super::index::{Marks, Seen, SeenKind};
use super::scope::Scope;
use crate::prove::manifest::Time;

const FOLDER: OFlags = OFlags::RDONLY
    .union(OFlags::DIRECTORY)
    .union(OFlags::CLOEXEC);

/// Opens a folder in a folder, not following a link.
pub fn enter(parent: impl AsFd, name: &[u8]) -> io::Result<OwnedFd> {
    let flags = FOLDER | OFlags::NOFOLLOW;
    Ok(openat(
        parent,
        OsStr::from_bytes(name),
        flags,
        Mode::empty(),
    )?)
}

/// Opens a folder of the source. One that leads to a source may be a link: it is copied as the folder it leads to.
pub fn enter_on_source(
    scope: Option<&Scope>,
    parent: impl AsFd,
    name: &[u8],
) -> io::Result<OwnedFd> {
    if is_leading(scope) {
        enter_by_link(parent, name)
    } else {
        enter(parent, name)
    }
}

/// Whether what is in a folder of this scope leads to a source.
fn is_leading(scope: Option<&Scope>) -> bool {
    scope.is_some_and(|scope| !scope.is_source())
}

/// As [`enter`], by a link too.
fn enter_by_link(parent: impl AsFd, name: &[u8]) -> io::Result<OwnedFd> {
    Ok(openat(
        parent,
        OsStr::from_bytes(name),
        FOLDER,
        Mode::empty(),
    )?)
}

/// How a walk comes to a folder.
pub enum Way {
    /// `parent` is the folder itself.
    Root,
    /// A folder that leads to a source.
    Leading(Vec<u8>),
    Below(Vec<u8>),
}

impl Way {
    /// To a folder in one of this scope.
    pub fn below(scope: Option<&Scope>, name: Vec<u8>) -> Self {
        if is_leading(scope) {
            Self::Leading(name)
        } else {
            Self::Below(name)
        }
    }

    /// Opens the folder that this way leads to.
    pub fn enter(&self, parent: &Arc<OwnedFd>) -> io::Result<Arc<OwnedFd>> {
        match self {
            Self::Root => Ok(Arc::clone(parent)),
            Self::Leading(name) => enter_by_link(&**parent, name).map(Arc::new),
            Self::Below(name) => enter(&**parent, name).map(Arc::new),
        }
    }
}

/// The names in a folder, in no order.
pub fn names(folder: BorrowedFd) -> io::Result<Vec<Vec<u8>>> {
    let mut names = Vec::new();
    for entry in Dir::read_from(folder)? {
        let entry = entry?;
        let name = entry.file_name().to_bytes();
        if name != b"." && name != b".." {
            names.push(name.to_owned());
        }
    }
    Ok(names)
}

/// Looks at one name without following it. `None` when it is gone.
pub fn look(folder: BorrowedFd, name: &[u8]) -> io::Result<Option<Stat>> {
    match statat(folder, OsStr::from_bytes(name), AtFlags::SYMLINK_NOFOLLOW) {
        Ok(stat) => Ok(Some(stat)),
        Err(Errno::NOENT) => Ok(None),
        Err(error) => Err(error.into()),
    }
}

/// What is found, for the index. `looked` is when. `None` when it is gone.
pub fn seen(
    folder: BorrowedFd,
    name: Vec<u8>,
    stat: &Stat,
    looked: Time,
) -> io::Result<Option<Seen>> {
    let kind = match FileType::from_raw_mode(stat.st_mode) {
        FileType::Directory => SeenKind::Folder { block: 0 },
        FileType::RegularFile => SeenKind::File {
            size: u64::try_from(stat.st_size).unwrap_or(0),
            digest: None,
        },
        FileType::Symlink => match readlinkat(folder, OsStr::from_bytes(&name), Vec::new()) {
            Ok(target) => SeenKind::Link {
                target: target.into_bytes(),
            },
            Err(Errno::NOENT | Errno::INVAL) => return Ok(None),
            Err(error) => return Err(error.into()),
        },
        FileType::Fifo => SeenKind::Fifo,
        FileType::Socket => SeenKind::Socket,
        FileType::CharacterDevice => SeenKind::CharDevice {
            number: stat.st_rdev,
        },
        FileType::BlockDevice => SeenKind::BlockDevice {
            number: stat.st_rdev,
        },
        FileType::Unknown => return Ok(None),
    };
    let mut marks = Marks::default();
    if stat.st_nlink > 1 && !matches!(kind, SeenKind::Folder { .. }) {
        marks.put(Marks::SEVERAL);
    }
    let changed = changed(stat);
    if is_settled(changed, looked) {
        marks.put(Marks::SETTLED);
    }
    Ok(Some(Seen {
        name,
        kind,
        mode: stat.st_mode & 0o7777,
        uid: stat.st_uid,
        gid: stat.st_gid,
        modified: modified(stat),
        changed,
        inode: stat.st_ino,
        file_system: 0,
        marks,
        born: 0,
        blocks: 0,
    }))
}

pub fn modified(stat: &Stat) -> Time {
    time(stat.st_mtime, stat.st_mtime_nsec)
}

pub fn changed(stat: &Stat) -> Time {
    time(stat.st_ctime, stat.st_ctime_nsec)
}

fn time<N: TryInto<u32>>(seconds: i64, nanos: N) -> Time {
    Time {
        seconds,
        nanos: nanos.try_into().unwrap_or(0),
    }
}

/// Whether a folder cannot be entered because there is none of that name any more.
pub fn is_no_folder(error: &io::Error) -> bool {
    let code = error.raw_os_error().map(Errno::from_raw_os_error);
    matches!(code, Some(Errno::NOENT | Errno::NOTDIR | Errno::LOOP))
}

/// Has the kernel begin to write a file out that was changed a short while ago, before it is looked at. What is stored
/// by mmap(2) in a page that waits to be written changes no time of the file, but the next store after that does. Pages
/// wait 30 seconds, and are looked through every 5 (the kernel's Documentation/admin-guide/sysctl/vm.rst).
pub fn write_out(file: BorrowedFd, changed: Time) {
    const WAITING: i64 = 60;
    if changed.seconds >= now().seconds - WAITING {
        // advice: where it is not taken, there is no mmap(2) either
        let _ = fadvise(file, 0, None, Advice::DontNeed);
    }
}

/// The kernel's clock for file times ticks every few milliseconds, and other systems' clocks every two
/// seconds (FAT): what was changed within the same tick in which it was read may change again unseen.
const TICK: i64 = 2;

pub fn is_settled(changed: Time, looked: Time) -> bool {
    changed.seconds < looked.seconds - TICK
}

/// Whether a file of this server was changed before something else was begun here: both times are by one clock.
pub fn is_before(changed: Time, begun: Time) -> bool {
    const TENTH: i64 = 100_000_000;
    let nanos = |time: Time| i128::from(time.seconds) * 1_000_000_000 + i128::from(time.nanos);
    nanos(changed) + i128::from(TENTH) < nanos(begun)
}

/// When it is now, by the clock that file times are taken from.
pub fn now() -> Time {
    let now = rustix::time::clock_gettime(rustix::time::ClockId::Realtime);
    time(now.tv_sec, now.tv_nsec)
}
