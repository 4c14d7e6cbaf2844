//! Copies files that have several names: the first name met is copied, each other is linked to it.

use std::collections::HashMap;
use std::ffi::OsStr;
use std::os::fd::OwnedFd;
use std::os::unix::ffi::OsStrExt;
use std::sync::{Arc, Mutex};

use rustix::fs::{AtFlags, linkat};

use super::copy_file::{Copied, Place, copy};
use super::folder::look;
use super::halt::Halt;
use super::index::Seen;
use super::{Trouble, lock};

/// A file: its file system's number, and its inode.
type File = (u16, u64);

type Slot = Arc<Mutex<Option<First>>>;

/// The files with several names that were copied so far.
#[derive(Debug, Default)]
pub struct Joined {
    /// Who finds nothing in a slot copies, and the others wait.
    files: Mutex<HashMap<File, Slot>>,
}

/// The first name of a file.
#[derive(Debug)]
struct First {
    path: Vec<u8>,
    /// `st_dev` on the source, as it was when it was copied.
    device: u64,
    seen: Seen,
}

impl Joined {
    /// Brings one of the names into the copy whose root is `top`.
    ///
    /// # Errors
    /// With the path, and whether it was the source or the drive.
    pub fn copy(
        &self,
        place: Place,
        seen: &Seen,
        top: &OwnedFd,
        halt: &Halt,
    ) -> Result<Copied, Trouble> {
        let file = (seen.file_system, seen.inode);
        let first = Arc::clone(lock(&self.files).entry(file).or_default());
        let mut first = lock(&first);
        let Some(stat) = look(place.source, place.name).map_err(|error| place.read(error))? else {
            return Ok(Copied::Gone);
        };
        if let Some(first) = &*first {
            let is_it = (stat.st_dev, stat.st_ino) == (first.device, first.seen.inode);
            if !is_it || link(first, place, top).is_err() {
                return Ok(Copied::Otherwise);
            }
            halt.count_file();
            let name = seen.name.clone();
            let told = Seen {
                name,
                ..first.seen.clone()
            };
            return Ok(Copied::Shared(told));
        }
        let copied = copy(place, seen, halt)?;
        if let Copied::Whole(told) = &copied {
            *first = Some(First {
                path: place.path.to_owned(),
                device: stat.st_dev,
                seen: told.clone(),
            });
        }
        Ok(copied)
    }
}

/// It may have all the names that a file may have, or the first may be gone: a copy of its own does as well.
fn link(first: &First, place: Place, top: &OwnedFd) -> rustix::io::Result<()> {
    let below = first.path.strip_prefix(b"/").unwrap_or(&first.path);
    let name = OsStr::from_bytes(place.name);
    linkat(
        top,
        OsStr::from_bytes(below),
        place.copy,
        name,
        AtFlags::empty(),
    )
}
