//! Walks a job's folder on this server, on all cores.

use std::ffi::OsStr;
use std::io;
use std::os::fd::{AsFd, OwnedFd};
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use rayon::{Scope, ThreadPoolBuilder};
use rustix::fs::{AtFlags, Dir, FileType, Mode, OFlags, Statx, StatxFlags, fstatfs, statx};
use rustix::io::Errno;

use super::TreeUse;
use super::extents::Queue;
use super::tally::{Entry, FileKey, Sharing, Tally, owner_of};
use crate::record::GenerationName;

/// `BTRFS_SUPER_MAGIC` and `XFS_SUPER_MAGIC` of linux/magic.h.
const SHARES_BLOCKS: [u32; 2] = [0x9123_683e, 0x5846_5342];

/// A folder still to be read, by its path below the job's folder.
struct Pending {
    path: PathBuf,
    owner: Option<GenerationName>,
}

struct Walk {
    root: OwnedFd,
    /// The job's folder, absolute.
    shown: PathBuf,
    mount: u64,
    device: (u32, u32),
    shares_blocks: bool,
    tally: Mutex<Tally>,
    queue: Queue,
}

pub(super) fn measure(job_folder: &Path) -> io::Result<TreeUse> {
    let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
    let root = rustix::fs::open(job_folder, flags, Mode::empty())?;
    let top = look(&root, OsStr::new(""))?;
    let magic = u32::try_from(fstatfs(&root)?.f_type);
    let walk = Walk {
        root,
        shown: std::path::absolute(job_folder)?,
        mount: top.stx_mnt_id,
        device: device(&top),
        shares_blocks: magic.is_ok_and(|magic| SHARES_BLOCKS.contains(&magic)),
        tally: Mutex::default(),
        queue: Queue::default(),
    };
    walk.add(None, Sharing::Never, &top);
    let threads = std::thread::available_parallelism().map_or(2, usize::from);
    let pool = ThreadPoolBuilder::new().num_threads(threads).build();
    let pool = pool.map_err(io::Error::other)?;
    let first = Pending {
        path: PathBuf::new(),
        owner: None,
    };
    pool.scope(|scope| walk.read(scope, &first));
    let Walk { tally, queue, .. } = walk;
    queue.finish(&tally);
    let tally = tally.into_inner().unwrap_or_else(PoisonError::into_inner);
    Ok(tally.finish())
}

impl Walk {
    fn read<'s>(&'s self, scope: &Scope<'s>, folder: &Pending) {
        if let Err(error) = self.try_read(scope, folder) {
            self.note(&folder.path, error);
        }
    }

    fn try_read<'s>(&'s self, scope: &Scope<'s>, folder: &Pending) -> Result<(), Errno> {
        let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::NOFOLLOW | OFlags::CLOEXEC;
        let top = folder.path.as_os_str().is_empty();
        let name = if top { Path::new(".") } else { &folder.path };
        let fd = rustix::fs::openat(&self.root, name, flags, Mode::empty())?;
        let mut entries = Dir::read_from(&fd)?;
        while let Some(found) = entries.read() {
            let found = found?;
            let name = found.file_name().to_bytes();
            if name == b"." || name == b".." {
                continue;
            }
            let owner = if top { owner_of(name) } else { folder.owner };
            let path = folder.path.join(OsStr::from_bytes(name));
            match look(&fd, OsStr::from_bytes(name)) {
                Ok(found) => self.visit(scope, Pending { path, owner }, &found),
                Err(error) => self.note(&path, error),
            }
        }
        Ok(())
    }

    fn visit<'s>(&'s self, scope: &Scope<'s>, at: Pending, found: &Statx) {
        if found.stx_mnt_id != self.mount {
            let words = "another file system is mounted here; not counted";
            return self.say(format!("`{}`: {words}", self.shown.join(at.path).display()));
        }
        let kind = FileType::from_raw_mode(found.stx_mode.into());
        let is_beside = at
            .path
            .parent()
            .is_some_and(|above| above.as_os_str().is_empty());
        let sharing = if is_beside && found.stx_nlink == 1 && kind != FileType::Directory {
            Sharing::Never
        } else {
            self.sharing(kind, found)
        };
        let first = self.add(at.owner, sharing, found);
        if kind == FileType::Directory {
            scope.spawn(move |scope| self.read(scope, &at));
        } else if let Some(id) = first
            && self.shares_blocks
            && kind == FileType::RegularFile
            && found.stx_blocks > 0
        {
            self.queue.add(id, self.shown.join(at.path), &self.tally);
        }
    }

    fn sharing(&self, kind: FileType, found: &Statx) -> Sharing {
        if kind == FileType::Directory && device(found) == self.device {
            Sharing::Never
        } else if device(found) != self.device {
            Sharing::With(FileKey::InSubvolume {
                inode: found.stx_ino,
                seconds: found.stx_ctime.tv_sec,
                nanoseconds: found.stx_ctime.tv_nsec.into(),
            })
        } else if found.stx_nlink > 1 || self.shares_blocks {
            Sharing::With(FileKey::Inode(found.stx_ino))
        } else {
            Sharing::NotYet
        }
    }

    fn add(&self, owner: Option<GenerationName>, sharing: Sharing, found: &Statx) -> Option<u32> {
        let mut tally = self.tally.lock().unwrap_or_else(PoisonError::into_inner);
        tally.add(Entry {
            owner,
            sharing,
            blocks: found.stx_blocks,
        })
    }

    fn note(&self, path: &Path, error: Errno) {
        let shown = self.shown.join(path);
        let error = io::Error::from(error);
        self.say(format!("`{}`: not counted: {error}", shown.display()));
    }

    fn say(&self, words: String) {
        let mut tally = self.tally.lock().unwrap_or_else(PoisonError::into_inner);
        tally.note(words);
    }
}

fn look(folder: impl AsFd, name: &OsStr) -> Result<Statx, Errno> {
    let flags = AtFlags::SYMLINK_NOFOLLOW | AtFlags::EMPTY_PATH | AtFlags::NO_AUTOMOUNT;
    statx(
        folder,
        name,
        flags,
        StatxFlags::BASIC_STATS | StatxFlags::MNT_ID,
    )
}

/// In a btrfs subvolume files have a device number of its own, on the same mount.
fn device(found: &Statx) -> (u32, u32) {
    (found.stx_dev_major, found.stx_dev_minor)
}
