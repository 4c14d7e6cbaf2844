//! Where a job's copies go: a folder of its own on the drive.

use std::ffi::OsString;
use std::path::{Path, PathBuf};

use super::{Act, DriveAct, Pipeline};
use crate::jobs::{Drive, DrivePlace, Name};
use crate::tools::ssh::{HostKey, SshLine, remote_words};
use crate::tools::{btrfs, files};

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Landing {
    pub drive: Name,
    pub base: Base,
    /// `hayloft/SERVER/JOB`, below the drive's path.
    pub folder: PathBuf,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Base {
    Local(PathBuf),
    Ssh { line: SshLine, path: PathBuf },
}

impl Landing {
    pub fn new(drive: &Drive, server: &Name, job: &Name, known_hosts: &Path) -> Self {
        let base = match &drive.place {
            DrivePlace::Local { path, .. } => Base::Local(path.clone()),
            DrivePlace::Ssh { host, path } => Base::Ssh {
                line: SshLine::new(host, known_hosts),
                path: path.clone(),
            },
        };
        Self {
            drive: drive.name.clone(),
            base,
            folder: Path::new("hayloft")
                .join(server.as_str())
                .join(job.as_str()),
        }
    }

    /// The drive's folder as its own host sees it.
    pub fn drive_path(&self) -> &Path {
        let (Base::Local(path) | Base::Ssh { path, .. }) = &self.base;
        path
    }

    /// The job's folder as its own host sees it.
    pub fn path(&self) -> PathBuf {
        self.drive_path().join(&self.folder)
    }

    /// The job's folder as a person would type it: a path, or `user@host:path`.
    pub fn address(&self) -> String {
        match &self.base {
            Base::Local(_) => self.path().display().to_string(),
            Base::Ssh { line, .. } => format!("{}:{}", line.host, self.path().display()),
        }
    }

    /// An entry of the job's folder as an rsync argument, with a trailing slash.
    pub fn rsync_argument(&self, entry: &str) -> OsString {
        let mut arg = match &self.base {
            Base::Local(_) => OsString::new(),
            Base::Ssh { line, .. } => OsString::from(format!("{}:", line.rsync_host())),
        };
        arg.push(self.path().join(entry));
        arg.push("/");
        arg
    }

    pub fn ssh(&self) -> Option<&SshLine> {
        match &self.base {
            Base::Local(_) => None,
            Base::Ssh { line, .. } => Some(line),
        }
    }

    /// Makes the job's folder, readable by its owner only.
    pub fn make_folder(&self) -> Act {
        self.act(DriveAct::MakeFolder, |path| {
            remote_words(&files::make_folder(path))
        })
    }

    /// Flushes the drive's file system to the disk.
    pub fn flush(&self) -> Act {
        self.act(DriveAct::Flush, |path| remote_words(&files::flush(path)))
    }

    pub fn rename(&self, from: &str, to: &str) -> Act {
        let act = DriveAct::Rename {
            from: from.into(),
            to: to.into(),
        };
        self.act(act, |path| files::rename(&path.join(from), &path.join(to)))
    }

    pub fn remove(&self, entry: &str) -> Act {
        self.act(DriveAct::Remove(entry.into()), |path| {
            remote_words(&files::remove(&path.join(entry)))
        })
    }

    /// Takes a btrfs subvolume of a local drive away.
    pub fn remove_subvolume(&self, entry: &str) -> Act {
        Act::Tool(Pipeline::plain(btrfs::subvolume_delete(entry)))
    }

    /// A local drive is worked on through a held folder; a remote one by the standard command.
    fn act(&self, local: DriveAct, remote: impl FnOnce(&Path) -> Vec<u8>) -> Act {
        match &self.base {
            Base::Local(_) => Act::Drive(local),
            Base::Ssh { line, .. } => {
                let script = remote(&self.path());
                Act::Tool(Pipeline::plain(line.script(&script, HostKey::Pinned)))
            }
        }
    }
}
