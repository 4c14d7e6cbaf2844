//! hayloft's own hands on a local drive: everything below a folder that was checked and is held open.

use std::ffi::OsStr;
use std::io;
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use rustix::fs::{Mode, OFlags, RenameFlags, fsync, mkdirat, openat, renameat_with, syncfs};
use rustix::io::Errno;

use crate::plan::{DriveAct, Landing};
use crate::system::job_folder::open_below;
use crate::system::local_drive::HeldDrive;
use crate::system::mounts::{Mounts, real_path};
use crate::tree::remove_tree;

const FOLDER: OFlags = OFlags::RDONLY
    .union(OFlags::DIRECTORY)
    .union(OFlags::CLOEXEC)
    .union(OFlags::NOFOLLOW);

/// Works in one job's folder of a held drive.
#[derive(Debug, Clone, Copy)]
pub struct DriveHands<'a> {
    pub held: &'a HeldDrive,
    pub landing: &'a Landing,
}

impl DriveHands<'_> {
    /// # Errors
    /// What the kernel said, with the path it was about.
    pub fn perform(self, act: &DriveAct) -> io::Result<()> {
        match act {
            DriveAct::MakeFolder => self.make_folder(),
            DriveAct::Flush => Ok(syncfs(self.held.root())?),
            DriveAct::Rename { from, to } => self.rename(from, to),
            DriveAct::Remove(path) => self.remove(path),
        }
    }

    /// The job's folder, opened without following any link.
    pub fn folder(self) -> io::Result<OwnedFd> {
        let named = |error| self.named(&error, Path::new(""));
        open_below(self.held.root(), &self.landing.folder).map_err(named)
    }

    fn make_folder(self) -> io::Result<()> {
        let mut at = openat(self.held.root(), ".", FOLDER, Mode::empty())?;
        for part in self.landing.folder.components() {
            match mkdirat(&at, part.as_os_str(), Mode::RWXU) {
                Ok(()) => fsync(&at)?,
                Err(Errno::EXIST) => {}
                Err(error) => return Err(self.named(&error.into(), Path::new(""))),
            }
            at = openat(&at, part.as_os_str(), FOLDER, Mode::empty())
                .map_err(|error| self.named(&error.into(), Path::new("")))?;
        }
        Ok(())
    }

    fn rename(self, from: &Path, to: &Path) -> io::Result<()> {
        let folder = self.folder()?;
        renameat_with(&folder, from, &folder, to, RenameFlags::NOREPLACE)
            .map_err(|error| self.named(&error.into(), to))?;
        Ok(fsync(&folder)?)
    }

    fn remove(self, path: &Path) -> io::Result<()> {
        if let Some(words) = mounted_inside(&self.landing.path().join(path))? {
            return Err(io::Error::new(io::ErrorKind::ResourceBusy, words));
        }
        let named = |error: io::Error| self.named(&error, path);
        let (parent, name) = split(path)?;
        let folder = match open_below(self.held.root(), &self.landing.folder.join(&parent)) {
            Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
            other => other.map_err(named)?,
        };
        remove_entry(&folder, name).map_err(|error| {
            let within = self.landing.path().join(parent);
            io::Error::new(error.kind(), format!("in `{}`: {error}", within.display()))
        })
    }

    fn named(self, error: &io::Error, path: &Path) -> io::Error {
        let whole = self.landing.path().join(path);
        io::Error::new(error.kind(), format!("`{}`: {error}", whole.display()))
    }
}

/// What is mounted at or below a path, in words. The kernel lists mounts by paths without links.
///
/// # Errors
/// When the mounts cannot be listed.
pub fn mounted_inside(path: &Path) -> io::Result<Option<String>> {
    let path = std::path::absolute(path)?;
    let (parent, name) = (path.parent(), path.file_name());
    let real = match (parent, name) {
        (Some(parent), Some(name)) => real_path(parent).join(name),
        _ => path,
    };
    let mounts = Mounts::read()?;
    let found = mounts.below(&real).next();
    Ok(found.map(|mount| {
        let point = mount.point.display();
        format!("`{point}` is mounted inside what is to be removed; unmount it")
    }))
}

/// A path within the job's folder, never out of it.
fn split(path: &Path) -> io::Result<(PathBuf, &OsStr)> {
    let outside = path
        .components()
        .any(|part| !matches!(part, std::path::Component::Normal(_)));
    match (outside, path.parent(), path.file_name()) {
        (false, Some(parent), Some(name)) => Ok((parent.to_owned(), name)),
        _ => Err(io::Error::new(
            io::ErrorKind::InvalidInput,
            "not a path within the job's folder",
        )),
    }
}

fn remove_entry(folder: &OwnedFd, name: &OsStr) -> io::Result<()> {
    let begun = Instant::now();
    loop {
        match remove_tree(folder.as_fd(), name) {
            Ok(()) => return Ok(()),
            // a copy of a killed run, told to end, may still be putting its last file there
            Err(error)
                if error.source.kind() == io::ErrorKind::DirectoryNotEmpty
                    && begun.elapsed() < LAST_FILE =>
            {
                std::thread::sleep(LAST_FILE / 20);
            }
            Err(error) => return Err(io::Error::new(error.source.kind(), error.to_string())),
        }
    }
}

/// How long a tool may take to end after its hayloft was killed.
const LAST_FILE: Duration = Duration::from_secs(2);

/// Writes a small file of the drive whole or not at all: beside it, flushed, renamed over it.
///
/// # Errors
/// What the kernel said.
pub fn replace_file(folder: BorrowedFd, name: &str, text: &[u8]) -> io::Result<()> {
    let new = format!(".{name}.new");
    let flags =
        OFlags::WRONLY | OFlags::CREATE | OFlags::TRUNC | OFlags::CLOEXEC | OFlags::NOFOLLOW;
    let mut file = std::fs::File::from(openat(folder, &new, flags, Mode::RUSR | Mode::WUSR)?);
    io::Write::write_all(&mut file, text)?;
    file.sync_all()?;
    rustix::fs::renameat(folder, &new, folder, name)?;
    Ok(fsync(folder)?)
}
