//! Removes a tree on all cores.
//!
//! Everything is named relative to an open folder, so no path is too long and no link can lead elsewhere.
//! What is mounted inside is never entered. Few folders are open at a time: the work goes down one branch on each
//! core, and a branch deeper than [`DEEP`] is first moved up to the top of the tree that goes anyway.

use std::ffi::{OsStr, OsString};
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::os::unix::ffi::OsStrExt;
use std::path::PathBuf;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};

use rayon::{Scope, ThreadPoolBuilder};
use rustix::fs::{
    AtFlags, FileType, Mode, OFlags, RawDir, RenameFlags, StatxFlags, openat, renameat_with,
    statat, statx, unlinkat,
};
use rustix::io::Errno;

use super::open_files::raise_limit;
use super::remove_trouble::{RemoveError, Troubles};

/// Levels below the top that are removed where they are.
const DEEP: usize = 40;

/// Names of one folder that are removed as one piece of work; more are shared out between the cores.
const PIECE: usize = 4096;

/// Removes `name` in `parent`: a file, a link, or a folder with all in it. A name that is not there is well.
///
/// Goes on after an error and tells the first. Never enters another mount; a btrfs subvolume of the same mount
/// is emptied like a folder, and then removed by rmdir(2) (btrfs-subvolume(8): since Linux 4.18).
///
/// # Errors
/// The first entry that could not be removed; it and the folders above it are left.
pub fn remove_tree(parent: BorrowedFd, name: &OsStr) -> Result<(), RemoveError> {
    let troubles = Troubles::default();
    let found = match statat(parent, name, AtFlags::SYMLINK_NOFOLLOW) {
        Err(Errno::NOENT) => return Ok(()),
        Err(error) => return Err(RemoveError::of(name.into(), error.into())),
        Ok(found) => found,
    };
    if FileType::from_raw_mode(found.st_mode) == FileType::Directory {
        remove_folder(parent, name, &troubles);
    } else if let Err(error) = unlinkat(parent, name, AtFlags::empty()) {
        troubles.met(parent, name, name.into(), error);
    }
    troubles.result()
}

fn remove_folder(parent: BorrowedFd, name: &OsStr, troubles: &Troubles) {
    let top = match Folder::open(parent, name, None) {
        Ok(top) => Arc::new(top),
        Err(Errno::NOENT) => return,
        Err(error) => return troubles.met(parent, name, name.into(), error),
    };
    let threads = std::thread::available_parallelism().map_or(2, |cores| cores.get().max(2));
    let pool = match ThreadPoolBuilder::new().num_threads(threads).build() {
        Ok(pool) => pool,
        Err(error) => return troubles.add(name.into(), std::io::Error::other(error)),
    };
    let removal = Removal {
        parent,
        top: &top,
        troubles,
        moved: AtomicUsize::new(0),
    };
    pool.scope(|scope| removal.empty(scope, &top));
}

/// A folder at work. It is removed when nothing in it is pending any more.
struct Folder {
    fd: OwnedFd,
    mount: u64,
    /// Its name in the folder that it was opened in.
    name: OsString,
    above: Option<Arc<Folder>>,
    depth: usize,
    /// Pieces of work in it, and folders in it that are not removed yet; one for its own listing.
    pending: AtomicUsize,
    /// Something in it could not be removed, so that it cannot be either.
    troubled: AtomicBool,
}

impl Folder {
    fn open(at: BorrowedFd, name: &OsStr, above: Option<Arc<Self>>) -> Result<Self, Errno> {
        let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::NOFOLLOW | OFlags::CLOEXEC;
        let fd = match openat(at, name, flags, Mode::empty()) {
            Err(Errno::MFILE) if raise_limit() => openat(at, name, flags, Mode::empty())?,
            opened => opened?,
        };
        // a bind mount has the device number of its own file system: only the mount tells
        let found = statx(&fd, "", AtFlags::EMPTY_PATH, StatxFlags::MNT_ID)?;
        Ok(Self {
            fd,
            mount: found.stx_mnt_id,
            name: name.to_owned(),
            depth: above.as_ref().map_or(0, |above| above.depth + 1),
            above,
            pending: AtomicUsize::new(1),
            troubled: AtomicBool::new(false),
        })
    }

    /// From the name of the top down.
    fn path(&self) -> PathBuf {
        let mut names = vec![self.name.as_os_str()];
        let mut at = self;
        while let Some(above) = &at.above {
            names.push(&above.name);
            at = above;
        }
        names.into_iter().rev().collect()
    }
}

struct Removal<'a> {
    parent: BorrowedFd<'a>,
    top: &'a Arc<Folder>,
    troubles: &'a Troubles,
    /// How many branches were moved up.
    moved: AtomicUsize,
}

impl<'s> Removal<'s> {
    /// Removes what is in a folder, and then the folder.
    fn empty(&'s self, scope: &Scope<'s>, folder: &Arc<Folder>) {
        let mut buffer = Vec::with_capacity(1 << 16);
        let mut entries = RawDir::new(&folder.fd, buffer.spare_capacity_mut());
        let mut names = Vec::new();
        while let Some(entry) = entries.next() {
            let entry = match entry {
                Ok(entry) => entry,
                Err(error) => {
                    self.trouble(folder, OsStr::new("."), error);
                    break;
                }
            };
            let name = OsStr::from_bytes(entry.file_name().to_bytes());
            if name == "." || name == ".." {
                continue;
            }
            if is_folder(folder, name, entry.file_type()) {
                self.enter_later(scope, folder, name.to_owned());
            } else {
                names.push((entry.ino(), name.to_owned()));
            }
            if names.len() == PIECE {
                let piece = std::mem::take(&mut names);
                self.unlink_later(scope, folder, piece);
            }
        }
        self.unlink(folder, names);
        self.leave(folder);
    }

    fn enter_later(&'s self, scope: &Scope<'s>, above: &Arc<Folder>, name: OsString) {
        let above = Arc::clone(above);
        above.pending.fetch_add(1, Ordering::AcqRel);
        scope.spawn(move |scope| {
            self.enter(scope, &above, &name);
            self.leave(&above);
        });
    }

    fn enter(&'s self, scope: &Scope<'s>, above: &Arc<Folder>, name: &OsStr) {
        if above.depth >= DEEP
            && let Some(name) = self.move_up(above, name)
        {
            return self.enter_later(scope, self.top, name);
        }
        let folder = match Folder::open(above.fd.as_fd(), name, Some(Arc::clone(above))) {
            Ok(folder) => Arc::new(folder),
            Err(Errno::NOENT) => return,
            Err(error) => return self.trouble(above, name, error),
        };
        if folder.mount != self.top.mount {
            return self.trouble(above, name, Errno::XDEV);
        }
        above.pending.fetch_add(1, Ordering::AcqRel);
        self.empty(scope, &folder);
    }

    /// Moves a folder to the top of the tree; `None` where that cannot be.
    fn move_up(&self, from: &Folder, name: &OsStr) -> Option<OsString> {
        let number = self.moved.fetch_add(1, Ordering::Relaxed);
        let new = OsString::from(format!(".deep-{number}-{}", std::process::id()));
        let (from, top) = (&from.fd, &self.top.fd);
        renameat_with(from, name, top, &new, RenameFlags::NOREPLACE).ok()?;
        Some(new)
    }

    fn unlink_later(
        &'s self,
        scope: &Scope<'s>,
        folder: &Arc<Folder>,
        names: Vec<(u64, OsString)>,
    ) {
        let folder = Arc::clone(folder);
        folder.pending.fetch_add(1, Ordering::AcqRel);
        scope.spawn(move |_| {
            self.unlink(&folder, names);
            self.leave(&folder);
        });
    }

    fn unlink(&self, folder: &Folder, mut names: Vec<(u64, OsString)>) {
        // ext4 lists in the order of hashes; neighbours in the inode table are changed faster one after another
        names.sort_unstable_by_key(|(inode, _)| *inode);
        for (_, name) in names {
            match unlinkat(&folder.fd, &name, AtFlags::empty()) {
                Ok(()) | Err(Errno::NOENT) => {}
                Err(error) => self.trouble(folder, &name, error),
            }
        }
    }

    /// One thing less is pending in the folder; the last one removes it, and may be the last in the one above.
    fn leave(&self, folder: &Arc<Folder>) {
        let mut folder = folder;
        while folder.pending.fetch_sub(1, Ordering::AcqRel) == 1 {
            let at = folder
                .above
                .as_ref()
                .map_or(self.parent, |above| above.fd.as_fd());
            if folder.troubled.load(Ordering::Acquire) {
                if let Some(above) = &folder.above {
                    above.troubled.store(true, Ordering::Release);
                }
            } else {
                match unlinkat(at, &folder.name, AtFlags::REMOVEDIR) {
                    Ok(()) | Err(Errno::NOENT) => {}
                    Err(error) => self.left(at, folder, error),
                }
            }
            match &folder.above {
                Some(above) => folder = above,
                None => return,
            }
        }
    }

    fn left(&self, at: BorrowedFd, folder: &Folder, error: Errno) {
        self.troubles.met(at, &folder.name, folder.path(), error);
        if let Some(above) = &folder.above {
            above.troubled.store(true, Ordering::Release);
        }
    }

    fn trouble(&self, folder: &Folder, name: &OsStr, error: Errno) {
        folder.troubled.store(true, Ordering::Release);
        let path = folder.path().join(name);
        self.troubles.met(folder.fd.as_fd(), name, path, error);
    }
}

/// By what the listing says, or by a look where the file system does not say.
fn is_folder(folder: &Folder, name: &OsStr, listed: FileType) -> bool {
    match listed {
        FileType::Directory => true,
        FileType::Unknown => statat(&folder.fd, name, AtFlags::SYMLINK_NOFOLLOW)
            .is_ok_and(|stat| FileType::from_raw_mode(stat.st_mode) == FileType::Directory),
        _ => false,
    }
}

#[cfg(test)]
#[path = "remove_tests.rs"]
mod tests;
