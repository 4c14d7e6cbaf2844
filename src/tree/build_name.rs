//! Brings one name into a new copy: linked to the last one, copied, or left to rsync.

use std::ffi::OsStr;
use std::os::fd::AsFd;
use std::os::unix::ffi::OsStrExt;
use std::sync::atomic::Ordering;

use rustix::fs::{AtFlags, linkat};
use rustix::io::Errno;

use super::build::{Beginning, Build, Done, Task};
use super::copy_file::{Copied, Place, copy};
use super::folder::look;
use super::index::{Marks, Seen, SeenKind};
use super::{Trouble, copy_link};

impl Build<'_> {
    /// Brings one name into the new copy, or leaves it to rsync.
    pub(super) fn file(&self, task: &Task, seen: &mut Seen) -> Result<Done, Trouble> {
        self.wanted.halt.look()?;
        let changed = Done {
            changed: true,
            others: Vec::new(),
        };
        if seen.marks.has(Marks::SAME) && self.wanted.found.groups.are_as_before(seen) {
            if self.link(task, seen)? {
                return Ok(Done::default());
            }
            self.not_linked.fetch_add(1, Ordering::Relaxed);
        }
        seen.marks.drop(Marks::SAME);
        seen.born = self.wanted.born;
        let path = [task.path.as_slice(), b"/", &seen.name].concat();
        match self.copy(task, seen, &path)? {
            Copied::Whole(told) | Copied::Shared(told) => {
                *seen = told;
                return Ok(changed);
            }
            Copied::Gone => {
                self.gone.fetch_add(1, Ordering::Relaxed);
                seen.marks.put(Marks::GONE);
                return Ok(changed);
            }
            Copied::Otherwise => {}
        }
        if let SeenKind::File { digest, .. } = &mut seen.kind {
            *digest = None;
            seen.marks.put(Marks::SEVERAL);
        }
        // `./` keeps a name from being read as anything else (rsync(1), `--files-from`)
        let others = [b".", path.as_slice(), b"\0"].concat();
        Ok(Done { others, ..changed })
    }

    /// Gives whether the new copy has the file of the last one.
    fn link(&self, task: &Task, seen: &Seen) -> Result<bool, Trouble> {
        let Beginning::Empty { .. } = self.wanted.beginning else {
            let found = look(task.folders.copy.as_fd(), &seen.name);
            return Ok(found.is_ok_and(|found| found.is_some()));
        };
        let Some(last) = &task.folders.last else {
            return Ok(false);
        };
        let name = OsStr::from_bytes(&seen.name);
        match linkat(last, name, &task.folders.copy, name, AtFlags::empty()) {
            Ok(()) => Ok(true),
            // gone from the last copy, or it has all the names it may have: a copy does as well
            Err(Errno::NOENT | Errno::MLINK | Errno::PERM | Errno::XDEV | Errno::OPNOTSUPP) => {
                Ok(false)
            }
            Err(error) => {
                let path = [task.path.as_slice(), b"/", &seen.name].concat();
                Err(Trouble::drive(&path, error))
            }
        }
    }

    fn copy(&self, task: &Task, seen: &Seen, path: &[u8]) -> Result<Copied, Trouble> {
        let place = Place {
            source: task.folders.source.as_fd(),
            copy: task.folders.copy.as_fd(),
            name: &seen.name,
            path,
            gives_nothing: task.folders.gives_nothing(),
        };
        let halt = self.wanted.halt;
        let copied = match seen.kind {
            SeenKind::File { .. } if seen.marks.has(Marks::SEVERAL) => {
                self.joined.copy(place, seen, self.wanted.copy, halt)
            }
            SeenKind::File { .. } => self.single(place, seen),
            SeenKind::Link { .. } => copy_link::copy(place, seen, halt),
            _ => Ok(Copied::Otherwise),
        };
        match copied {
            Ok(copied) => {
                if let Copied::Whole(told) = &copied {
                    self.bytes.fetch_add(told.size(), Ordering::Relaxed);
                }
                Ok(copied)
            }
            Err(trouble @ Trouble::Source { .. }) => {
                self.trouble(trouble);
                Ok(Copied::Gone)
            }
            Err(trouble) => Err(trouble),
        }
    }

    fn single(&self, place: Place, seen: &Seen) -> Result<Copied, Trouble> {
        for leftover in self.wanted.leftovers {
            if let Some(told) = leftover.take_over(place, seen, self.wanted.halt)? {
                return Ok(Copied::Shared(told));
            }
        }
        copy(place, seen, self.wanted.halt)
    }
}
