//! Puts the right content in the place of a file that is damaged: beside it, flushed, read again, then in one rename for
//! each of its names, so that at any time each name has the old file or the whole new one.

use std::ffi::OsStr;
use std::fmt;
use std::fs::File;
use std::io::{self, Write};
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::os::unix::ffi::OsStrExt;
use std::path::Path;

use rustix::fs::{
    AtFlags, Gid, Mode, OFlags, Timespec, Timestamps, Uid, XattrFlags, fchmod, fchown, fgetxattr,
    flistxattr, fsetxattr, fstat, fsync, futimens, linkat, openat, renameat, unlinkat,
};
use rustix::io::Errno;

use super::content::{Unread, buffer, open_file, read_file};
use super::folder::last_part;
use super::good_copies::open_parent;
use super::pace::Pace;
use crate::plan::{Mend, NameInCopy};
use crate::prove::manifest::{Digest, EntryKind, Time};
use crate::system::job_folder::open_below;

/// What the new file is called in a folder until it is renamed.
const BESIDE: &str = ".hayloft-mend.partial";

#[derive(Debug)]
pub enum MendError {
    /// The system said no, about this.
    Io(&'static str, io::Error),
    /// The good copy is not good any more, or what was written cannot be read back.
    Content(&'static str),
    Stopped,
}

impl fmt::Display for MendError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Io(doing, error) => write!(f, "cannot {doing}: {error}"),
            Self::Content(words) => f.write_str(words),
            Self::Stopped => f.write_str("told to stop; nothing was replaced"),
        }
    }
}

impl std::error::Error for MendError {}

fn doing<E: Into<io::Error>>(what: &'static str) -> impl FnOnce(E) -> MendError {
    move |error| MendError::Io(what, error.into())
}

/// Mends files in one job's folder.
#[derive(Clone, Copy)]
pub struct Mender<'a> {
    pub job_folder: BorrowedFd<'a>,
    pub pace: &'a Pace<'a>,
}

impl Mender<'_> {
    /// Replaces every name of the file.
    ///
    /// # Errors
    /// What went wrong first. Before the first rename nothing has changed; after it, all names but those of which it
    /// was refused have the new file.
    pub fn mend(self, mend: &Mend) -> Result<(), MendError> {
        let EntryKind::File {
            digest: Some(digest),
            ..
        } = mend.entry.kind
        else {
            return Err(MendError::Content("the manifest has no digest of it"));
        };
        let beside = format!("{}.mend.partial", mend.copy);
        // what an earlier try left
        let _ = unlinkat(self.job_folder, &beside, AtFlags::empty());
        let result = self
            .write(mend, &beside, &digest)
            .and_then(|()| self.replace_all(mend, &beside));
        let _ = unlinkat(self.job_folder, &beside, AtFlags::empty());
        result
    }

    /// The new file, whole, flushed and read back.
    fn write(self, mend: &Mend, beside: &str, digest: &Digest) -> Result<(), MendError> {
        let flags =
            OFlags::RDWR | OFlags::CREATE | OFlags::EXCL | OFlags::NOFOLLOW | OFlags::CLOEXEC;
        let new = openat(self.job_folder, beside, flags, Mode::RUSR | Mode::WUSR)
            .map_err(doing("write a new file"))?;
        let mut new = File::from(new);
        let good = open_good(&mend.good.file).map_err(doing("open the good copy"))?;
        io::copy(&mut File::from(good), &mut new)
            .and_then(|_| new.flush())
            .map_err(doing("copy the good content"))?;
        self.dress(mend, &new)?;
        new.sync_all().map_err(doing("flush the new file"))?;
        let new = open_file(self.job_folder, OsStr::new(beside))
            .map_err(doing("read the new file back"))?;
        let read = read_file(&new, self.pace, &mut buffer()).map_err(|error| match error {
            Unread::Stop => MendError::Stopped,
            Unread::Error(error) => MendError::Io("read the new file back", error),
        })?;
        if read.digest == *digest {
            Ok(())
        } else {
            Err(MendError::Content(
                "what was written has not the digest of the manifest; nothing was replaced",
            ))
        }
    }

    /// Attributes: those of the manifest; extended ones, of which it does not tell, from the damaged file.
    fn dress(self, mend: &Mend, new: &File) -> Result<(), MendError> {
        let entry = &mend.entry;
        fchown(
            new,
            Some(Uid::from_raw(entry.uid)),
            Some(Gid::from_raw(entry.gid)),
        )
        .map_err(doing("set the owner"))?;
        if let Some(old) = self.old(mend) {
            copy_xattrs(&old, new).map_err(doing("set the extended attributes"))?;
        }
        // last: a change of owner takes set-user-ID away (chown(2)), an access list sets bits of the mode
        fchmod(new, Mode::from_raw_mode(entry.mode)).map_err(doing("set the mode"))?;
        futimens(new, &modified(entry.time)).map_err(doing("set the time"))
    }

    /// The damaged file, where it can be opened.
    fn old(self, mend: &Mend) -> Option<OwnedFd> {
        let name = mend.names.first()?;
        let folder = self.parent(name).ok()?;
        let name = last_part(name.path.as_os_str().as_bytes());
        open_file(folder.as_fd(), OsStr::from_bytes(name)).ok()
    }

    fn replace_all(self, mend: &Mend, beside: &str) -> Result<(), MendError> {
        let mut first = Ok(());
        for name in &mend.names {
            first = first.and(self.replace(name, beside));
        }
        first
    }

    fn replace(self, name: &NameInCopy, beside: &str) -> Result<(), MendError> {
        let folder = self
            .parent(name)
            .map_err(doing("open the folder of the file"))?;
        let before = fstat(&folder).map_err(doing("look at the folder of the file"))?;
        let _ = unlinkat(&folder, BESIDE, AtFlags::empty());
        linkat(self.job_folder, beside, &folder, BESIDE, AtFlags::empty())
            .map_err(doing("link the new file beside the old"))?;
        let own = last_part(name.path.as_os_str().as_bytes());
        let renamed = renameat(&folder, BESIDE, &folder, OsStr::from_bytes(own));
        if renamed.is_err() {
            let _ = unlinkat(&folder, BESIDE, AtFlags::empty());
        }
        renamed.map_err(doing("rename the new file over the old"))?;
        let time = name.folder_time.unwrap_or(Time {
            seconds: before.st_mtime,
            nanos: u32::try_from(before.st_mtime_nsec).unwrap_or(0),
        });
        futimens(&folder, &modified(time)).map_err(doing("set the time of the folder"))?;
        match fsync(&folder) {
            Err(Errno::INVAL) => Ok(()),
            other => other.map_err(doing("flush the folder of the file")),
        }
    }

    fn parent(self, name: &NameInCopy) -> io::Result<OwnedFd> {
        let root = open_below(self.job_folder, Path::new(&name.root))?;
        open_parent(&root, name.path.as_os_str().as_bytes())
    }
}

fn open_good(path: &Path) -> io::Result<OwnedFd> {
    let parent = path.parent().unwrap_or(Path::new("/"));
    let folder = OwnedFd::from(File::open(parent)?);
    open_file(folder.as_fd(), path.file_name().unwrap_or_default())
}

fn modified(time: Time) -> Timestamps {
    Timestamps {
        last_access: Timespec {
            tv_sec: 0,
            tv_nsec: rustix::fs::UTIME_OMIT,
        },
        last_modification: Timespec {
            tv_sec: time.seconds,
            tv_nsec: time.nanos.into(),
        },
    }
}

/// What cannot be read of them is damaged too, and no reason to leave the content as it is.
fn copy_xattrs(from: &OwnedFd, to: &File) -> io::Result<()> {
    let mut names = vec![0_u8; 64 << 10];
    let Ok(length) = flistxattr(from, &mut names[..]) else {
        return Ok(());
    };
    for name in names[..length].split(|byte| *byte == 0) {
        if name.is_empty() {
            continue;
        }
        let name = OsStr::from_bytes(name);
        let mut value = vec![0_u8; 64 << 10];
        let Ok(length) = fgetxattr(from, name, &mut value[..]) else {
            continue;
        };
        fsetxattr(to, name, &value[..length], XattrFlags::empty())?;
    }
    Ok(())
}
