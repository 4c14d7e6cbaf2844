//! Steps that hayloft does itself: where that is measurably faster than a tool and as safe, or where there is no tool.

use std::path::PathBuf;

use super::{HiddenPath, SameEntries, ScratchConfig};
use crate::jobs::Pattern;
use crate::record::GenerationName;

/// A step that no tool does.
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
    /// Writes the manifest of a tree that a tool copied.
    Describe(Describe),
    /// Writes the manifest of an archive.
    DescribeArchive(DescribeArchive),
    SameEntries(SameEntries),
    ScratchConfig(ScratchConfig),
}

/// A tree that a tool copied, whose manifest is to be written as `MANIFEST.partial`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Describe {
    pub of: Described,
    pub known: KnownDigests,
    /// The tree's name now, in the job's folder.
    pub tree: String,
    /// The name that it has when it is whole.
    pub entry: String,
    pub manifest: String,
    /// On the server: a folder for what is of no use afterwards.
    pub scratch: PathBuf,
}

/// What is looked at to tell of a tree.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Described {
    /// The tree itself, on a local drive.
    Copy,
    /// What it was copied from: the tree is on another host.
    Source {
        sources: Vec<PathBuf>,
        exclude: Vec<Pattern>,
        hidden: Vec<HiddenPath>,
    },
}

/// Whose digests hold for files that are proven to be the same.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum KnownDigests {
    Nothing,
    /// Those in the manifest of the generation that the tree shares files with.
    Generation(GenerationName),
    /// Those of an index of what is looked at, kept on the server in this file, and renewed.
    Index(PathBuf),
}

/// An archive that was written and summed up, whose manifest is to be written as `MANIFEST.partial`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DescribeArchive {
    /// The archive's name now, in the job's folder.
    pub partial: String,
    pub entry: String,
    pub manifest: String,
    /// On the server: where a filter put length and digest of what it handed on.
    pub sum: PathBuf,
    /// Where the drive is on another host: the manifest of what is in the archive, to be sent there.
    pub contents: Option<Contents>,
    /// On the server: a folder for what is of no use afterwards.
    pub scratch: PathBuf,
}

/// The manifest of what is in an archive.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Contents {
    /// Where it lies on the server.
    pub here: PathBuf,
    /// Its name in the job's folder.
    pub name: String,
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
