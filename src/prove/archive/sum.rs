//! Length and digest of what a pipeline writes, worked out as it passes by.

use std::fs;
use std::io::{self, Read, Write};
use std::path::Path;

use sha2::{Digest as _, Sha256};

use super::filter::hand_on;
use crate::prove::manifest::Digest;

/// What passed by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sum {
    /// In bytes.
    pub length: u64,
    pub digest: Digest,
}

impl Sum {
    /// Reads what [`sum`] wrote.
    ///
    /// # Errors
    /// When the file cannot be read, or is not whole.
    pub fn read(path: &Path) -> io::Result<Self> {
        let text = fs::read_to_string(path);
        let text = text.map_err(|error| {
            io::Error::new(error.kind(), format!("`{}`: {error}", path.display()))
        })?;
        Self::parse(&text).ok_or_else(|| {
            let words = format!("`{}` is not whole", path.display());
            io::Error::new(io::ErrorKind::InvalidData, words)
        })
    }

    fn parse(text: &str) -> Option<Self> {
        let (length, digest) = text.strip_suffix('\n')?.split_once(' ')?;
        Some(Self {
            length: length.parse().ok()?,
            digest: digest.parse().ok()?,
        })
    }
}

/// Hands `input` on to `output`, and then writes its length and digest to the file `to`.
///
/// # Errors
/// When a stream breaks or the file cannot be written.
pub fn sum(input: impl Read, mut output: impl Write, to: &Path) -> io::Result<()> {
    let mut hasher = Sha256::new();
    let mut length = 0;
    hand_on(input, |piece| {
        output.write_all(piece)?;
        hasher.update(piece);
        length += piece.len() as u64;
        Ok(())
    })?;
    output.flush()?;
    let digest = Digest(hasher.finalize().into());
    if let Some(folder) = to.parent() {
        fs::create_dir_all(folder)?;
    }
    fs::write(to, format!("{length} {digest}\n"))
}

#[cfg(test)]
mod tests {
    use super::*;

    // FIPS 180-4, the example "abc" (from memory, the same from coreutils)
    const ABC: &str = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";

    #[test]
    fn what_passes_by_is_handed_on_and_summed_up() {
        let folder = tempfile::tempdir().unwrap();
        let to = folder.path().join("new/sum");
        let mut out = Vec::new();
        sum(&b"abc"[..], &mut out, &to).unwrap();
        assert_eq!(out, b"abc");
        let found = Sum::read(&to).unwrap();
        assert_eq!(
            (found.length, found.digest.to_string()),
            (3, ABC.to_owned())
        );
    }

    #[test]
    fn half_a_sum_is_none() {
        let whole = format!("3 {ABC}\n");
        assert!(Sum::parse(&whole).is_some());
        for length in 0..whole.len() {
            assert_eq!(Sum::parse(&whole[..length]), None);
        }
    }
}
