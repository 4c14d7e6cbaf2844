//! Copies one symbolic link with its owner and time.

use std::ffi::{CStr, OsStr};
use std::io;
use std::os::fd::AsRawFd;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};

use rustix::fs::{
    AtFlags, FileType, Gid, Stat, Uid, chownat, readlinkat, statat, symlinkat, utimensat,
};
use rustix::io::Errno;

use super::copy_file::{Copied, Place, times, told};
use super::folder::{look, modified, now};
use super::halt::Halt;
use super::index::{Seen, SeenKind};
use super::{Trouble, attributes};

/// Copies `seen` to a new link of the same name. One with attributes or several names is told as [`Copied::Otherwise`].
///
/// # Errors
/// With the path, and whether it was the source or the drive.
pub fn copy(place: Place, seen: &Seen, halt: &Halt) -> Result<Copied, Trouble> {
    let looked = now();
    let name = OsStr::from_bytes(place.name);
    let Some(stat) = look(place.source, place.name).map_err(|error| place.read(error))? else {
        return Ok(Copied::Gone);
    };
    if FileType::from_raw_mode(stat.st_mode) != FileType::Symlink || stat.st_nlink > 1 {
        return Ok(Copied::Otherwise);
    }
    let found = attributes::of_name(&path_of(place)).map_err(|error| place.read(error))?;
    if !found.is_empty() {
        return Ok(Copied::Otherwise);
    }
    let target = match readlinkat(place.source, name, Vec::new()) {
        Ok(target) => target,
        Err(Errno::NOENT) => return Ok(Copied::Gone),
        Err(Errno::INVAL) => return Ok(Copied::Otherwise),
        Err(error) => return Err(place.read(error)),
    };
    let blocks = make(place, &target, &stat).map_err(|error| place.written(error))?;
    let kind = SeenKind::Link {
        target: target.into_bytes(),
    };
    halt.count_file();
    Ok(Copied::Whole(told(seen, &stat, looked, kind, blocks)))
}

/// Gives the blocks it takes.
fn make(place: Place, target: &CStr, stat: &Stat) -> io::Result<u64> {
    let name = OsStr::from_bytes(place.name);
    symlinkat(target, place.copy, name)?;
    let made = statat(place.copy, name, AtFlags::SYMLINK_NOFOLLOW)?;
    if (made.st_uid, made.st_gid) != (stat.st_uid, stat.st_gid) {
        let (uid, gid) = (Uid::from_raw(stat.st_uid), Gid::from_raw(stat.st_gid));
        let link = AtFlags::SYMLINK_NOFOLLOW;
        chownat(place.copy, name, Some(uid), Some(gid), link)?;
    }
    let times = times(modified(stat));
    utimensat(place.copy, name, &times, AtFlags::SYMLINK_NOFOLLOW)?;
    Ok(made.st_blocks.cast_unsigned())
}

/// The attributes of a link can be asked for by its path only.
fn path_of(place: Place) -> PathBuf {
    let folder = format!("/proc/self/fd/{}", place.source.as_raw_fd());
    Path::new(&folder).join(OsStr::from_bytes(place.name))
}
