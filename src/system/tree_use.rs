//! What a job's folder takes on its drive, and which generations share it.
//!
//! Counts as `du` does: the blocks the file system gave out (`st_blocks`, in units of 512 bytes;
//! stat(3type)), a file with several names once, folders and links too. Nothing is followed and no other
//! file system is entered. An entry that vanished or cannot be read is noted, and the rest still counts.

mod find_output;
mod tally;
mod walk;

use std::io;
use std::path::Path;

use crate::keep::SpaceMap;

pub use find_output::{FIND_FORMAT, from_find_output};

/// The measured use of one job's folder.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TreeUse {
    pub space: SpaceMap,
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
