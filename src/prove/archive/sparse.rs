//! Files with holes in a pax archive (GNU tar manual, "Sparse Formats", "PAX Format, Version 1.0").
//!
//! What is stored begins with the map, in decimal numbers, each with a newline: how many parts, then offset and
//! length of each; zeros up to a whole block; then the parts.

use std::io::{self, Read};

use sha2::{Digest as _, Sha256};

use super::filter::PIECE;
use crate::prove::manifest::Digest;

/// The digest of the file whose stored form is `stored`, as it is with its holes, `size` bytes long.
///
/// # Errors
/// When the stream breaks, or is not of that format.
pub fn digest_of_sparse(mut stored: impl Read, size: u64) -> io::Result<Digest> {
    let mut map = Map::new(&mut stored);
    let count = map.number()?;
    let mut parts = Vec::new();
    for _ in 0..count {
        parts.push((map.number()?, map.number()?));
    }
    map.skip_to_block()?;
    let mut hasher = Sha256::new();
    let mut at = 0;
    for (offset, length) in parts {
        let end = offset.checked_add(length).filter(|end| *end <= size);
        let end = end.ok_or_else(malformed)?;
        let hole = offset.checked_sub(at).ok_or_else(malformed)?;
        zeros(&mut hasher, hole);
        if content(&mut hasher, (&mut stored).take(length))? != length {
            return Err(io::ErrorKind::UnexpectedEof.into());
        }
        at = end;
    }
    zeros(&mut hasher, size.checked_sub(at).ok_or_else(malformed)?);
    Ok(Digest(hasher.finalize().into()))
}

/// The digest and length of all that follows.
///
/// # Errors
/// When the stream breaks.
pub fn digest_of_all(stored: impl Read) -> io::Result<(Digest, u64)> {
    let mut hasher = Sha256::new();
    let length = content(&mut hasher, stored)?;
    Ok((Digest(hasher.finalize().into()), length))
}

fn content(hasher: &mut Sha256, from: impl Read) -> io::Result<u64> {
    let mut length = 0;
    super::hand_on(from, |piece| {
        hasher.update(piece);
        length += piece.len() as u64;
        Ok(())
    })?;
    Ok(length)
}

fn zeros(hasher: &mut Sha256, mut length: u64) {
    static ZEROS: [u8; 64 * 1024] = [0; 64 * 1024];
    while length > 0 {
        let part = ZEROS.len().min(usize::try_from(length).unwrap_or(PIECE));
        hasher.update(&ZEROS[..part]);
        length -= part as u64;
    }
}

fn malformed() -> io::Error {
    io::Error::new(
        io::ErrorKind::InvalidData,
        "a file with holes is stored in a way that is not known",
    )
}

/// The map, read block by block.
struct Map<R> {
    from: R,
    block: [u8; 512],
    at: usize,
}

impl<R: Read> Map<R> {
    fn new(from: R) -> Self {
        let block = [0; 512];
        let at = block.len();
        Self { from, block, at }
    }

    fn byte(&mut self) -> io::Result<u8> {
        if self.at == self.block.len() {
            self.from.read_exact(&mut self.block)?;
            self.at = 0;
        }
        self.at += 1;
        Ok(self.block[self.at - 1])
    }

    fn number(&mut self) -> io::Result<u64> {
        let mut number: Option<u64> = None;
        loop {
            match self.byte()? {
                b'\n' => return number.ok_or_else(malformed),
                digit @ b'0'..=b'9' => {
                    let next = number.unwrap_or(0).checked_mul(10);
                    let next = next.and_then(|next| next.checked_add(u64::from(digit - b'0')));
                    number = Some(next.ok_or_else(malformed)?);
                }
                _ => return Err(malformed()),
            }
        }
    }

    /// Blocks are read whole: the parts begin where the last one ended.
    fn skip_to_block(self) -> io::Result<()> {
        let rest = &self.block[self.at..];
        rest.iter()
            .all(|byte| *byte == 0)
            .then_some(())
            .ok_or_else(malformed)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn stored(map: &str, parts: &[u8]) -> Vec<u8> {
        let mut stored = map.as_bytes().to_vec();
        stored.resize(stored.len().next_multiple_of(512), 0);
        stored.extend(parts);
        stored
    }

    #[test]
    fn holes_count_as_zeros() {
        let stored = stored("2\n0\n5\n1000\n3\n", b"startend");
        let mut whole = vec![0; 2000];
        whole[..5].copy_from_slice(b"start");
        whole[1000..1003].copy_from_slice(b"end");
        let expected = Digest(Sha256::digest(&whole).into());
        assert_eq!(digest_of_sparse(&stored[..], 2000).unwrap(), expected);
    }

    #[test]
    fn what_is_no_map_or_has_less_than_it_says_is_refused() {
        for (map, parts) in [
            ("x\n", ""),
            ("\n", ""),
            ("1\n0\n5\n", "four"),
            ("2\n10\n1\n0\n1\n", "ab"),
            ("1\n1999\n2\n", "ab"),
            ("99999999999999999999\n", ""),
            ("1\n18446744073709551615\n1\n", "a"),
        ] {
            let stored = stored(map, parts.as_bytes());
            assert!(digest_of_sparse(&stored[..], 2000).is_err(), "{map}");
        }
        assert!(digest_of_sparse(&b"1\n"[..], 5).is_err());
    }
}
