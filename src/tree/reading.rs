//! Reads a file's content from its beginning to its end, with its digest.

use std::io;
use std::os::fd::BorrowedFd;

use sha2::{Digest as _, Sha256};

use super::Trouble;
use super::halt::Halt;
use crate::prove::manifest::Digest;

/// Read at a time: larger pieces are no faster, and leave the caches.
pub const PIECE: usize = 256 * 1024;

/// The digest of all that follows in `file`, and its length.
///
/// # Errors
/// As `wrong` makes of what the kernel says; [`Trouble::Halted`].
pub fn digest_of(
    file: BorrowedFd,
    halt: &Halt,
    wrong: impl Fn(io::Error) -> Trouble,
) -> Result<(Digest, u64), Trouble> {
    let mut hasher = Sha256::new();
    let mut length = 0;
    let mut buffer = vec![0; PIECE];
    loop {
        halt.look()?;
        let read = rustix::io::read(file, &mut buffer[..]).map_err(|error| wrong(error.into()))?;
        if read == 0 {
            return Ok((Digest(hasher.finalize().into()), length));
        }
        hasher.update(&buffer[..read]);
        length += read as u64;
        halt.count_bytes(read as u64);
    }
}
