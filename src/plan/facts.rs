//! What a plan is made from, besides the job: gathered by `system`, read by nobody but pure code.

use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

use jiff::Timestamp;

use super::{Landing, ServiceFacts, Stop};
use crate::jobs::Name;
use crate::record::{Generation, GenerationName};

/// Everything looked up before a job is planned.
#[derive(Debug, Clone)]
pub struct Facts {
    pub now: Timestamp,
    pub server: Name,
    pub landing: Landing,
    pub drive: DriveState,
    pub source: SourceState,
    /// Of the service that an export is made of.
    pub service: ServiceFacts,
    /// Whole generations of the job on the drive, newest first.
    pub generations: Vec<Generation>,
    /// Names in the job's folder that end in `.partial`: what a killed run left.
    pub leftovers: Vec<String>,
    /// Those made since the system was started: what they hold is as it was written, even where it was never flushed.
    pub fresh_leftovers: Vec<String>,
    /// Of a drive of this server.
    pub file_system: Option<FileSystem>,
    /// Generations that have a manifest on the drive.
    pub manifests: Vec<GenerationName>,
    /// Generations whose source is indexed on this server.
    pub indexed: Vec<GenerationName>,
    /// Where the indexes of the job's source lie, on the server.
    pub indexes: PathBuf,
    /// Entries of the job's folder on a local drive that are btrfs subvolumes.
    pub subvolumes: BTreeSet<String>,
    /// Paths under the source that are never copied: kernel file systems, and the drive itself.
    pub hidden: Vec<HiddenPath>,
    /// Programs that the plan may need and that are not on PATH.
    pub missing_programs: Vec<String>,
    /// The accounts that pre and post steps run as, by name. One that does not exist is not in it.
    pub accounts: BTreeMap<String, Account>,
    /// The pinned ssh host keys.
    pub known_hosts: PathBuf,
    /// hayloft's own program file, for the steps that it does as a filter.
    pub own_program: PathBuf,
}

/// The file system of a drive, as far as it matters to how copies share what they have in common.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FileSystem {
    /// As the kernel calls it: `ext4`.
    pub kind: String,
    pub has_btrfs_program: bool,
}

/// What login(1) would take from an account's line in passwd(5).
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Account {
    /// The number of its own group, which need not have its name.
    pub group: u32,
    pub home: PathBuf,
    pub shell: PathBuf,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HiddenPath {
    pub path: PathBuf,
    pub why: String,
}

/// Whether the drive can be written to now.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum DriveState {
    Ready(Space),
    NotReady(Stop),
}

/// Bytes of a file system, as statvfs(3) and df(1) count them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Space {
    pub total: u64,
    /// What may be used by an ordinary account.
    pub free: u64,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SourceState {
    Readable,
    Missing(Stop),
}
