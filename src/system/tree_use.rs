//! What a job's folder takes on its drive, and which generations share it.
//!
//! Counts as `du` does: the blocks the file system gave out (`st_blocks`, in units of 512 bytes;
//! stat(3type)), a file with several names once, folders and links too. Nothing is followed and no other
//! mount is entered. An entry that vanished or cannot be read is noted, and the rest still counts.
//!
//! On btrfs and xfs different files may hold the same blocks: by reflinks, and a file in a snapshot and in what that
//! was taken of. There the kernel is asked where the blocks of each file lie. What btrfs keeps within its own trees
//! (small files, names, the trees themselves) is counted as `du` does, and compressed files by their length before
//! compression.

mod extents;
mod find_output;
mod shared_blocks;
mod tally;
mod walk;

use std::collections::BTreeMap;
use std::io;
use std::path::Path;

use crate::keep::SpaceMap;
use crate::record::GenerationName;

pub use find_output::{FIND_FORMAT, from_find_output};

/// The measured use of one job's folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TreeUse {
    pub space: SpaceMap,
    /// Bytes of each generation that no later one can share: its folders, and what lies beside it.
    pub own: BTreeMap<GenerationName, u64>,
    /// What could not be counted, in words; the first hundred, then how many more.
    pub notes: Vec<String>,
}

/// Measure the job's folder at `job_folder`.
///
/// # Errors
/// When the folder itself cannot be opened. Trouble below it is noted instead.
pub fn measure(job_folder: &Path) -> io::Result<TreeUse> {
    walk::measure(job_folder)
}

#[cfg(test)]
#[path = "tree_use/tests.rs"]
mod tests;
