//! A file that looks as it was, but is not proven to be: its content and attributes are read.

use std::ffi::OsStr;
use std::io;
use std::os::fd::{AsFd, AsRawFd, OwnedFd};
use std::os::unix::ffi::OsStrExt;
use std::path::Path;

use rustix::fs::{CWD, Mode, OFlags, ResolveFlags, openat2};
use rustix::io::Errno;

use super::folder;
use super::halt::Halt;
use super::index::{Seen, SeenKind};
use super::reading::digest_of;
use super::survey::Before;
use super::{Trouble, attributes};

const FILE: OFlags = OFlags::RDONLY
    .union(OFlags::CLOEXEC)
    .union(OFlags::NOFOLLOW)
    .union(OFlags::NONBLOCK);

/// Whether the file at `path` has the digest that the index knows, and the attributes that the last copy has.
///
/// # Errors
/// When the source cannot be read. What cannot be read of the last copy is not the same.
pub fn is_same(
    path: &[u8],
    seen: &Seen,
    old: Option<&Seen>,
    before: &Before,
    halt: &Halt,
) -> Result<bool, Trouble> {
    let wrong = |error: io::Error| Trouble::source(path, error);
    let Some(old) = old else {
        return Ok(false);
    };
    if !matches!(seen.kind, SeenKind::File { .. }) {
        return Ok(has_equal_attributes(path, before));
    }
    let Ok(copy) = open_copy(before, path) else {
        return Ok(false);
    };
    let source = rustix::fs::openat(CWD, OsStr::from_bytes(path), FILE, Mode::empty());
    let source = match source {
        Ok(source) => source,
        // a path beyond what the kernel takes at once, or no longer a file
        Err(Errno::NAMETOOLONG | Errno::LOOP | Errno::NOENT | Errno::NOTDIR | Errno::NXIO) => {
            return Ok(false);
        }
        Err(error) => return Err(wrong(error.into())),
    };
    folder::write_out(source.as_fd(), seen.changed);
    let is_that_one = rustix::fs::fstat(&source)
        .is_ok_and(|stat| stat.st_ino == seen.inode && stat.st_size.cast_unsigned() == seen.size());
    if !is_that_one || is_larger_or_smaller(&copy, seen) {
        return Ok(false);
    }
    let attributes = attributes::of(source.as_fd()).map_err(wrong)?;
    if attributes::of(copy.as_fd()).ok() != Some(attributes) {
        return Ok(false);
    }
    let (digest, length) = digest_of(source.as_fd(), halt, wrong)?;
    Ok(length == seen.size() && Some(digest) == old.digest())
}

/// For what cannot be opened: links, devices, sockets, FIFOs.
fn has_equal_attributes(path: &[u8], before: &Before) -> bool {
    let below = path.strip_prefix(b"/").unwrap_or(path);
    let copy = format!("/proc/self/fd/{}/", before.copy.as_raw_fd());
    let copy = [copy.as_bytes(), below].concat();
    let of = |path: &[u8]| attributes::of_name(Path::new(OsStr::from_bytes(path)));
    matches!((of(path), of(&copy)), (Ok(source), Ok(copy)) if source == copy)
}

fn open_copy(before: &Before, path: &[u8]) -> rustix::io::Result<OwnedFd> {
    let below = path.strip_prefix(b"/").unwrap_or(path);
    let inside = ResolveFlags::BENEATH | ResolveFlags::NO_SYMLINKS | ResolveFlags::NO_XDEV;
    openat2(
        &before.copy,
        OsStr::from_bytes(below),
        FILE,
        Mode::empty(),
        inside,
    )
}

/// A copy whose length is not what was copied is damaged, and not to be shared.
fn is_larger_or_smaller(copy: &OwnedFd, seen: &Seen) -> bool {
    rustix::fs::fstat(copy).is_ok_and(|stat| stat.st_size.cast_unsigned() != seen.size())
}
