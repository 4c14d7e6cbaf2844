//! Steps that hayloft does itself on a tree of this server, where that is measurably faster than a tool and as safe.

use std::path::PathBuf;

use super::HiddenPath;
use crate::jobs::Pattern;
use crate::record::GenerationName;

/// One of the steps of a history whose source and drive are both of this server.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Native {
    /// Looks at every name of the source; reads only.
    Survey(Survey),
    /// Makes the folders of the copy, links what is the same, and copies files.
    Build(Build),
    /// Gives folders their attributes, and writes manifest and index.
    Finish {
        partial: String,
        /// `NAME.mtree.partial`, beside the copy.
        manifest: String,
    },
    /// Forgets the indexes of earlier generations.
    Settle,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Survey {
    pub sources: Vec<PathBuf>,
    pub exclude: Vec<Pattern>,
    pub hidden: Vec<HiddenPath>,
    /// What the source is held against; nothing for a first copy.
    pub against: Option<Known>,
    /// Where the indexes of the job's source lie, on the server.
    pub indexes: PathBuf,
}

/// An earlier generation, and how it is known what it holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Known {
    pub generation: GenerationName,
    pub by: KnownBy,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum KnownBy {
    /// What the source was when it was copied.
    Index,
    /// What the copy is: every file of the source is read to be compared.
    Manifest,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Build {
    pub partial: String,
    pub sharing: Sharing,
    /// Folders left by runs that were cut short since the system was started, newest first.
    pub leftovers: Vec<String>,
}

/// How the new copy has in common with the last one what is the same.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sharing {
    /// By files that have a name in each.
    Links,
    /// As a snapshot of it: the file system shares what is not written to.
    Snapshot,
}
