//! Re-reading copies and holding them against their manifests, as a step of a plan.

use crate::jobs::Size;
use crate::record::{Generation, Place};

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
