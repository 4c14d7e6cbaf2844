//! What a run that was cut short copied already need not be copied again.

use std::ffi::OsStr;
use std::os::fd::{AsFd, OwnedFd};
use std::os::unix::ffi::OsStrExt;

use rustix::fs::{
    AtFlags, FileType, Mode, OFlags, ResolveFlags, StatxFlags, fstat, linkat, openat2, statx,
};

use super::copy_file::{Place, open_source};
use super::folder::{is_settled, modified};
use super::halt::Halt;
use super::index::Seen;
use super::reading::digest_of;
use super::{Trouble, attributes};
use crate::prove::manifest::{Digest, Time};

/// The folder that such a run left. It must be of this start of the system: what was written before a power cut may
/// never have reached the disk.
#[derive(Debug)]
pub struct Leftover(pub OwnedFd);

impl Leftover {
    /// Links the file of the same path into the new copy, if it is whole: the time of its modification is set last.
    /// It is read, and held against the source.
    ///
    /// # Errors
    /// [`Trouble::Halted`]. Whatever else goes wrong, it is not taken over.
    pub fn take_over(
        &self,
        place: Place,
        seen: &Seen,
        halt: &Halt,
    ) -> Result<Option<Seen>, Trouble> {
        let Some((digest, blocks)) = self.whole(place, seen, halt)? else {
            return Ok(None);
        };
        let below = place.path.strip_prefix(b"/").unwrap_or(place.path);
        let name = OsStr::from_bytes(place.name);
        let linked = linkat(
            &self.0,
            OsStr::from_bytes(below),
            place.copy,
            name,
            AtFlags::empty(),
        );
        if linked.is_err() {
            return Ok(None);
        }
        let mut told = seen.clone();
        told.set_digest(digest);
        told.blocks = blocks;
        Ok(Some(told))
    }

    fn whole(
        &self,
        place: Place,
        seen: &Seen,
        halt: &Halt,
    ) -> Result<Option<(Digest, u64)>, Trouble> {
        let below = place.path.strip_prefix(b"/").unwrap_or(place.path);
        let flags = OFlags::RDONLY | OFlags::CLOEXEC | OFlags::NOFOLLOW | OFlags::NONBLOCK;
        let inside = ResolveFlags::BENEATH | ResolveFlags::NO_SYMLINKS;
        let opened = openat2(
            &self.0,
            OsStr::from_bytes(below),
            flags,
            Mode::empty(),
            inside,
        );
        let Ok(file) = opened else {
            return Ok(None);
        };
        let Ok(stat) = fstat(&file) else {
            return Ok(None);
        };
        if !is_younger(&file, seen) {
            return Ok(None);
        }
        let is_alike = FileType::from_raw_mode(stat.st_mode) == FileType::RegularFile
            && stat.st_size.cast_unsigned() == seen.size()
            && modified(&stat) == seen.modified
            && (stat.st_mode & 0o7777, stat.st_uid, stat.st_gid) == (seen.mode, seen.uid, seen.gid);
        let Ok(source) = open_source(place) else {
            return Ok(None);
        };
        if !is_alike || !has_attributes_of(&file, &source) {
            return Ok(None);
        }
        // lengths and times reach the disk before the content does: of a drive that was pulled, only this proves it
        let (wanted, _) = match digest_of(source.as_fd(), halt, |error| place.read(error)) {
            Ok(found) => found,
            Err(Trouble::Halted) => return Err(Trouble::Halted),
            Err(_) => return Ok(None),
        };
        let wrong = |error| Trouble::drive(place.path, error);
        match digest_of(file.as_fd(), halt, wrong) {
            Ok((digest, length)) if length == seen.size() && digest == wanted => {
                Ok(Some((digest, stat.st_blocks.cast_unsigned())))
            }
            Err(Trouble::Halted) => Err(Trouble::Halted),
            _ => Ok(None),
        }
    }
}

/// Whether the source's file was last changed before this one was begun: then this has what that has.
fn is_younger(file: &OwnedFd, seen: &Seen) -> bool {
    let found = statx(file, "", AtFlags::EMPTY_PATH, StatxFlags::BTIME);
    let Ok(found) = found else {
        return false;
    };
    let knows = found.stx_mask & StatxFlags::BTIME.bits() != 0;
    let begun = Time {
        seconds: found.stx_btime.tv_sec,
        nanos: found.stx_btime.tv_nsec,
    };
    knows && is_settled(seen.changed, begun)
}

fn has_attributes_of(file: &OwnedFd, source: &OwnedFd) -> bool {
    match (attributes::of(source.as_fd()), attributes::of(file.as_fd())) {
        (Ok(source), Ok(there)) => source == there,
        _ => false,
    }
}
