//! Walks a job's folder on this server.

use std::ffi::OsStr;
use std::io;
use std::os::fd::{AsFd, OwnedFd};
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};

use rustix::fs::{AtFlags, Dir, FileType, Mode, OFlags, Stat};
use rustix::io::Errno;

use super::TreeUse;
use super::tally::{Entry, Links, Tally, owner_of};
use crate::record::GenerationName;

/// A folder still to be read, by its path below the job's folder.
struct Pending {
    path: PathBuf,
    owner: Option<GenerationName>,
}

struct Walk<'a> {
    root: OwnedFd,
    shown: &'a Path,
    device: u64,
    pending: Vec<Pending>,
    tally: Tally,
}

pub(super) fn measure(job_folder: &Path) -> io::Result<TreeUse> {
    let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
    let root = rustix::fs::open(job_folder, flags, Mode::empty())?;
    let stat = rustix::fs::fstat(&root)?;
    let mut walk = Walk {
        root,
        shown: job_folder,
        device: stat.st_dev,
        pending: vec![Pending {
            path: PathBuf::new(),
            owner: None,
        }],
        tally: Tally::default(),
    };
    walk.tally.add(entry(None, &stat));
    while let Some(folder) = walk.pending.pop() {
        if let Err(error) = walk.read(&folder) {
            walk.note(&folder.path, error);
        }
    }
    Ok(walk.tally.finish())
}

impl Walk<'_> {
    fn read(&mut self, folder: &Pending) -> Result<(), Errno> {
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
            self.visit(&fd, folder, OsStr::from_bytes(name), owner);
        }
        Ok(())
    }

    fn visit(
        &mut self,
        fd: impl AsFd,
        folder: &Pending,
        name: &OsStr,
        owner: Option<GenerationName>,
    ) {
        let path = folder.path.join(name);
        let stat = match rustix::fs::statat(fd, name, AtFlags::SYMLINK_NOFOLLOW) {
            Ok(stat) => stat,
            Err(error) => return self.note(&path, error),
        };
        if stat.st_dev != self.device {
            let words = "another file system is mounted here; not counted";
            return self
                .tally
                .note(format!("`{}`: {words}", self.shown.join(path).display()));
        }
        self.tally.add(entry(owner, &stat));
        if FileType::from_raw_mode(stat.st_mode) == FileType::Directory {
            self.pending.push(Pending { path, owner });
        }
    }

    fn note(&mut self, path: &Path, error: Errno) {
        let shown = self.shown.join(path);
        let error = io::Error::from(error);
        self.tally
            .note(format!("`{}`: not counted: {error}", shown.display()));
    }
}

fn entry(owner: Option<GenerationName>, stat: &Stat) -> Entry {
    let folder = FileType::from_raw_mode(stat.st_mode) == FileType::Directory;
    Entry {
        owner,
        inode: stat.st_ino,
        links: if folder || stat.st_nlink == 1 {
            Links::One
        } else {
            Links::Several
        },
        blocks: u64::try_from(stat.st_blocks).unwrap_or(0),
    }
}
