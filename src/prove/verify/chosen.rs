//! Which names of a manifest are looked at, and which files are read.

use std::os::fd::{AsFd, OwnedFd};
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};

use super::folder::{Seen, last_part, look};
use super::sample::Sample;
use crate::prove::manifest::{Entry, EntryKind};
use crate::system::job_folder::open_below;

/// What is to be done with a name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Choice {
    Nothing,
    /// Everything but its content.
    Look,
    /// Its content too.
    Read,
    /// Its content too, unless the copy before has the same file: then it was read there.
    IfNotShared,
}

/// The names that are chosen, as the walk comes to them.
#[derive(Debug)]
pub enum Chosen {
    Everything,
    Sample(Sample),
    Slice(Slice),
}

/// A part of a copy.
#[derive(Debug)]
pub struct Slice {
    /// Names up to this one are done; the whole copy is to be read where absent.
    after: Option<PathBuf>,
    /// Bytes that may still be chosen; no end where absent.
    budget: Option<u64>,
    /// The root of the copy before.
    before: Option<OwnedFd>,
    /// The folder within it that was looked at last: names come folder by folder.
    folder: Option<(Vec<u8>, Option<OwnedFd>)>,
}

impl Slice {
    pub fn new(after: Option<PathBuf>, budget: Option<u64>, before: Option<OwnedFd>) -> Self {
        Self {
            after,
            budget,
            before,
            folder: None,
        }
    }

    /// The name where an earlier slice ended was not met.
    pub fn has_lost_its_place(&self) -> bool {
        self.after.is_some()
    }

    /// Whether the file is the very one that the copy before has in the same place.
    fn is_shared(&mut self, folder: Option<&OwnedFd>, entry: &Entry) -> bool {
        let Some(before) = &self.before else {
            return false;
        };
        let name = last_part(&entry.path);
        let parent = &entry.path[..entry.path.len() - name.len()];
        if self.folder.as_ref().is_none_or(|(path, _)| path != parent) {
            let path = Path::new(std::ffi::OsStr::from_bytes(parent));
            let opened = open_below(before.as_fd(), path).ok();
            self.folder = Some((parent.to_vec(), opened));
        }
        let other = self.folder.as_ref().and_then(|(_, folder)| folder.as_ref());
        let (Some(folder), Some(other)) = (folder, other) else {
            return false;
        };
        match (look(folder.as_fd(), name), look(other.as_fd(), name)) {
            (Ok(one), Ok(other)) => are_the_same(&one, &other),
            _ => false,
        }
    }
}

/// One inode; or, in a snapshot, which has a device of its own, one that nobody touched since.
fn are_the_same(one: &Seen, other: &Seen) -> bool {
    let untouched = one.entry == other.entry && one.changed == other.changed;
    one.inode == other.inode && (one.device == other.device || untouched)
}

impl Chosen {
    /// What is to be done with a name, by the manifest alone.
    pub fn before(&mut self, entry: &Entry) -> Choice {
        let is_file = matches!(entry.kind, EntryKind::File { .. });
        match self {
            Self::Everything if is_file => Choice::Read,
            Self::Everything => Choice::Look,
            Self::Sample(sample) => {
                if sample.chooses(entry) {
                    Choice::Read
                } else {
                    Choice::Nothing
                }
            }
            Self::Slice(slice) => {
                if let Some(after) = &slice.after {
                    if after.as_os_str().as_bytes() == entry.path {
                        slice.after = None;
                    }
                    Choice::Nothing
                } else if is_file {
                    Choice::IfNotShared
                } else {
                    Choice::Look
                }
            }
        }
    }

    /// Settles [`Choice::IfNotShared`]; `folder` is the one that the file is in, where it can be opened.
    pub fn if_not_shared(&mut self, folder: Option<&OwnedFd>, entry: &Entry) -> Choice {
        let Self::Slice(slice) = self else {
            return Choice::Read;
        };
        if slice.is_shared(folder, entry) {
            return Choice::Look;
        }
        self.spend(entry);
        Choice::Read
    }

    /// The file will be read: takes it from the budget.
    pub fn spend(&mut self, entry: &Entry) {
        if let (Self::Slice(slice), EntryKind::File { size, .. }) = (self, &entry.kind)
            && let Some(budget) = &mut slice.budget
        {
            *budget = budget.saturating_sub(*size);
        }
    }

    /// Whether nothing more is to be chosen.
    pub fn is_enough(&self) -> bool {
        matches!(self, Self::Slice(slice) if slice.budget == Some(0))
    }

    /// Whether folders are looked into for names that should not be there.
    pub fn looks_at_folders(&self) -> bool {
        match self {
            Self::Everything => true,
            Self::Sample(_) => false,
            Self::Slice(slice) => slice.after.is_none(),
        }
    }
}
