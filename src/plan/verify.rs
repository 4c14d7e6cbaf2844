//! Re-reading copies and holding them against their manifests, as a step of a plan.

use std::path::PathBuf;

use crate::jobs::Size;
use crate::prove::manifest::{Entry, Time};
use crate::record::{Generation, GenerationName, GoodCopy, Place};

/// Which copies of a job are re-read, how much of them, and how fast.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Verify {
    /// Oldest first.
    pub copies: Vec<Generation>,
    pub extent: Extent,
    /// At most so many bytes a second; as fast as it goes where absent.
    pub rate: Option<Size>,
}

/// How much of the copies is re-read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Extent {
    Everything,
    /// So many files of each copy, chosen by chance; the same seed chooses the same files.
    Sample {
        files: u64,
        seed: String,
    },
    /// What follows behind `from`, until `budget` bytes are read or, where absent, to the end. A file that is shared with
    /// the copy before is left out: it was read there.
    Slice {
        from: Option<Place>,
        budget: Option<u64>,
    },
}

/// A damaged file that is to have the content of a good copy again.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mend {
    /// The copy in which it was found.
    pub copy: GenerationName,
    /// What the manifest of that copy says of it.
    pub entry: Entry,
    /// All of its names, in every copy of the job; that of the entry first.
    pub names: Vec<NameInCopy>,
    pub good: GoodCopy,
}

/// A name of a file in a copy.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NameInCopy {
    /// The root of the copy, within the job's folder.
    pub root: String,
    pub path: PathBuf,
    /// When its folder was modified last, where that is to be put right too.
    pub folder_time: Option<Time>,
}
