//! Lets long work on a tree be ended from outside, and tells how far it is.

use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};

use super::Trouble;

/// Shared between the one who watches and those who work.
#[derive(Debug, Default)]
pub struct Halt {
    wanted: AtomicBool,
    bytes: AtomicU64,
    files: AtomicU64,
}

impl Halt {
    /// From now on every worker ends at its next look.
    pub fn want(&self) {
        self.wanted.store(true, Ordering::Relaxed);
    }

    /// # Errors
    /// [`Trouble::Halted`] once an end is wanted.
    pub fn look(&self) -> Result<(), Trouble> {
        if self.wanted.load(Ordering::Relaxed) {
            Err(Trouble::Halted)
        } else {
            Ok(())
        }
    }

    pub fn count_bytes(&self, bytes: u64) {
        self.bytes.fetch_add(bytes, Ordering::Relaxed);
    }

    pub fn count_file(&self) {
        self.files.fetch_add(1, Ordering::Relaxed);
    }

    /// Bytes and files worked on so far.
    pub fn so_far(&self) -> (u64, u64) {
        (
            self.bytes.load(Ordering::Relaxed),
            self.files.load(Ordering::Relaxed),
        )
    }
}
