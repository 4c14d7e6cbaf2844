//! Watches the configuration folder with its `jobs/` folder, and the outbox, with inotify(7).

use std::mem::MaybeUninit;
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::path::{Path, PathBuf};

use rustix::fs::inotify::{self, CreateFlags, ReadFlags, Reader, WatchFlags};
use rustix::io::Errno;

/// A watch on the files an administrator writes.
#[derive(Debug)]
pub struct ConfigWatch {
    inotify: OwnedFd,
    folder: PathBuf,
}

impl ConfigWatch {
    /// # Errors
    /// Only when the kernel gives no inotify instance; folders that are not there are no error.
    pub fn new(folder: &Path) -> Result<Self, Errno> {
        let watch = Self {
            inotify: inotify::init(CreateFlags::NONBLOCK | CreateFlags::CLOEXEC)?,
            folder: folder.to_owned(),
        };
        watch.renew();
        Ok(watch)
    }

    /// Watches the folders that lie there now: one that was made anew is another folder to the kernel.
    pub fn renew(&self) {
        let flags = WatchFlags::CREATE
            | WatchFlags::CLOSE_WRITE
            | WatchFlags::MOVED_FROM
            | WatchFlags::MOVED_TO
            | WatchFlags::DELETE
            | WatchFlags::DELETE_SELF
            | WatchFlags::MOVE_SELF
            | WatchFlags::ONLYDIR;
        for folder in [self.folder.clone(), self.folder.join("jobs")] {
            if let Err(error) = inotify::add_watch(&self.inotify, &folder, flags) {
                tracing::debug!("cannot watch `{}`: {error}", folder.display());
            }
        }
    }

    /// Watches the outbox as well: other processes put mail there that the service has to try again.
    pub fn add_outbox(&self, folder: &Path) {
        let flags = WatchFlags::MOVED_TO | WatchFlags::ONLYDIR;
        if let Err(error) = inotify::add_watch(&self.inotify, folder, flags) {
            tracing::warn!("cannot watch `{}`: {error}", folder.display());
        }
    }

    pub(super) fn descriptor(&self) -> BorrowedFd<'_> {
        self.inotify.as_fd()
    }

    /// Reads all events and tells what they may have changed.
    pub(super) fn take_changes(&self) -> Changes {
        let mut buffer = [MaybeUninit::uninit(); 2048];
        let mut reader = Reader::new(&self.inotify, &mut buffer);
        let mut changes = Changes::default();
        loop {
            match reader.next() {
                Ok(event) => {
                    let name = event.file_name().map(std::ffi::CStr::to_bytes);
                    changes.files |= is_of_files(name, event.events());
                    changes.mail |= name.is_some_and(|name| name.ends_with(b".json"));
                }
                Err(Errno::INTR) => {}
                Err(_) => return changes,
            }
        }
    }
}

/// What may have changed.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Changes {
    pub files: bool,
    pub mail: bool,
}

/// Editors write other files beside the one they save; those are none of our business.
fn is_of_files(name: Option<&[u8]>, events: ReadFlags) -> bool {
    match name {
        Some(name) => name.ends_with(b".toml") || name == b"jobs",
        None => !events.contains(ReadFlags::IGNORED),
    }
}
