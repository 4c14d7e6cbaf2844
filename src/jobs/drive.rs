//! `[drives.NAME]`: a place copies go, known by its identity and not by its mount path.

use std::path::PathBuf;

use super::{Name, Size, SshHost};

#[derive(Debug, Clone, PartialEq)]
pub struct Drive {
    pub name: Name,
    pub place: DrivePlace,
    /// Space that is always left free.
    pub reserve: Size,
    pub offsite: bool,
}

#[derive(Debug, Clone, PartialEq)]
pub enum DrivePlace {
    /// A file system mounted at `path` on this server.
    Local {
        path: PathBuf,
        /// Refuse to write unless the file system with this UUID is mounted at `path`.
        uuid: String,
    },
    /// A folder on another host, reached by ssh with a pinned host key.
    Ssh { host: SshHost, path: PathBuf },
}
