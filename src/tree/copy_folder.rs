//! Gives a folder of the copy what it has on the source, when nothing more is put into it.

use std::io;
use std::os::fd::{AsFd, OwnedFd};

use rustix::fs::{Mode, fchmod, fstat};

use super::copy_file::{own, set_modified};
use super::index::Seen;
use super::{Trouble, attributes};

/// A default ACL would be passed on to what is made in a folder, and whatever is made in it sets its time: so this
/// comes last. Where the source has no such folder any more, there are no attributes to be given. Gives the bytes that the folder itself takes.
///
/// # Errors
/// With `path`, and whether it was the source or the drive.
pub fn give(
    source: Option<&OwnedFd>,
    copy: &OwnedFd,
    path: &[u8],
    seen: &Seen,
) -> Result<u64, Trouble> {
    let wanted = source.map(|source| attributes::of(source.as_fd()));
    let wanted = wanted
        .transpose()
        .map_err(|error| Trouble::source(path, error))?;
    let put = || -> io::Result<u64> {
        let found = fstat(copy)?;
        if (found.st_uid, found.st_gid) != (seen.uid, seen.gid) {
            own(copy.as_fd(), seen.uid, seen.gid)?;
        }
        fchmod(copy, Mode::from_raw_mode(seen.mode))?;
        if let Some(wanted) = &wanted {
            attributes::put(copy.as_fd(), wanted)?;
        }
        set_modified(copy.as_fd(), seen.modified)?;
        Ok(found.st_blocks.cast_unsigned() * 512)
    };
    put().map_err(|error| Trouble::drive(path, error))
}
