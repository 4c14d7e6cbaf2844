//! What was proved of a copy, when, and what was found wrong with it.

use std::path::PathBuf;

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::{GenerationName, Outcome, path_text};
use crate::jobs::Name;

/// One look at one generation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Proof {
    /// The run that looked, as in the record.
    pub run: String,
    pub job: Name,
    pub drive: Name,
    pub generation: GenerationName,
    /// When the look was over.
    pub at: Timestamp,
    pub kind: ProofKind,
    /// Names held against the manifest.
    pub names: u64,
    /// Files whose content was read.
    pub files: u64,
    /// Bytes that were read.
    pub bytes: u64,
    /// `Well`, `Damaged` when anything was found, or why the look was not finished.
    pub outcome: Outcome,
    /// The look was not finished.
    #[serde(default)]
    pub cut_short: bool,
    /// How many of each there are, in all.
    pub found: Found,
    /// The first of them.
    pub findings: Vec<Finding>,
}

impl Proof {
    /// Whether there is something that is not as it should be, and was not mended.
    pub fn is_open(&self) -> bool {
        self.found.all() > self.mended()
    }

    pub fn mended(&self) -> u64 {
        let mended = self.findings.iter().filter(|one| one.mended);
        u64::try_from(mended.count()).unwrap_or(u64::MAX)
    }
}

/// How a copy was looked at.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum ProofKind {
    /// Every byte of it.
    Verify,
    /// Files chosen by chance.
    Sample,
    /// A part of it, by the drive's `reread`.
    Slice,
}

/// Something that is not as the manifest says.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Finding {
    /// Below the root of the copy.
    #[serde(with = "path_text::one")]
    pub path: PathBuf,
    pub what: What,
    /// What differs, in words.
    pub words: String,
    /// Where its right content lies.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub good: Option<GoodCopy>,
    /// It was put right.
    #[serde(default)]
    pub mended: bool,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum What {
    /// The content differs, the times do not: nobody wrote to it.
    Damaged,
    /// The system could not read it.
    Unreadable,
    /// The manifest itself cannot be read.
    Manifest,
    Missing,
    /// Content and times differ: somebody wrote to it.
    Changed,
    /// Mode, owner or time differ; the content does not.
    Attributes,
    /// It is there, and not in the manifest.
    Extra,
}

impl What {
    /// Worst first.
    pub const ALL: [Self; 7] = [
        Self::Damaged,
        Self::Unreadable,
        Self::Manifest,
        Self::Missing,
        Self::Changed,
        Self::Attributes,
        Self::Extra,
    ];

    pub fn words(self) -> &'static str {
        match self {
            Self::Damaged => "damaged",
            Self::Unreadable => "unreadable",
            Self::Manifest => "manifest damaged",
            Self::Missing => "missing",
            Self::Changed => "changed",
            Self::Attributes => "attributes differ",
            Self::Extra => "extra",
        }
    }
}

/// A file with the content that a damaged one should have; it was read, and its digest is right.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct GoodCopy {
    pub job: Name,
    pub drive: Name,
    pub generation: GenerationName,
    /// Below the root of that copy.
    #[serde(with = "path_text::one")]
    pub path: PathBuf,
    /// The file itself.
    #[serde(with = "path_text::one")]
    pub file: PathBuf,
}

/// How many of each were found.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct Found {
    pub damaged: u64,
    pub unreadable: u64,
    pub manifest: u64,
    pub missing: u64,
    pub changed: u64,
    pub attributes: u64,
    pub extra: u64,
}

impl Found {
    pub fn of(self, what: What) -> u64 {
        match what {
            What::Damaged => self.damaged,
            What::Unreadable => self.unreadable,
            What::Manifest => self.manifest,
            What::Missing => self.missing,
            What::Changed => self.changed,
            What::Attributes => self.attributes,
            What::Extra => self.extra,
        }
    }

    pub fn add(&mut self, what: What, amount: u64) {
        let place = match what {
            What::Damaged => &mut self.damaged,
            What::Unreadable => &mut self.unreadable,
            What::Manifest => &mut self.manifest,
            What::Missing => &mut self.missing,
            What::Changed => &mut self.changed,
            What::Attributes => &mut self.attributes,
            What::Extra => &mut self.extra,
        };
        *place += amount;
    }

    pub fn add_all(&mut self, other: Self) {
        for what in What::ALL {
            self.add(what, other.of(what));
        }
    }

    pub fn all(self) -> u64 {
        What::ALL.into_iter().map(|what| self.of(what)).sum()
    }
}

/// How far the re-reading of a drive has come.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Place {
    pub job: Name,
    /// Its [`super::Generation::place_name`].
    pub generation: GenerationName,
    /// The last name that is done; absent when all of the generation is.
    #[serde(with = "path_text::maybe")]
    pub path: Option<PathBuf>,
}
