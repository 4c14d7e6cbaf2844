//! One name of a tree, as a manifest tells it.

use std::fmt;
use std::str::FromStr;

/// A name with all that a manifest says of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// Below the tree's root, its parts joined by `/`; empty for the root itself.
    pub path: Vec<u8>,
    pub kind: EntryKind,
    /// The twelve bits of chmod(2).
    pub mode: u32,
    pub uid: u32,
    pub gid: u32,
    /// Of the last modification.
    pub time: Time,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum EntryKind {
    Folder,
    /// A file without a digest was changed while it was copied, or could not be read.
    File {
        size: u64,
        digest: Option<Digest>,
    },
    Link {
        target: Vec<u8>,
    },
    Fifo,
    Socket,
    CharDevice {
        major: u32,
        minor: u32,
    },
    BlockDevice {
        major: u32,
        minor: u32,
    },
}

/// Seconds since 1970-01-01T00:00:00Z, and nanoseconds (below 1,000,000,000) after these.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Time {
    pub seconds: i64,
    pub nanos: u32,
}

/// SHA-256 (FIPS 180-4).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Digest(pub [u8; 32]);

impl fmt::Display for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

impl fmt::Debug for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{self}")
    }
}

/// What is no [`Digest`].
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MalformedDigest;

impl MalformedDigest {
    pub const EXPECTED: &str = "a SHA-256 of 64 hexadecimal digits";
}

impl fmt::Display for MalformedDigest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "expected {}", Self::EXPECTED)
    }
}

impl std::error::Error for MalformedDigest {}

impl Digest {
    /// From 64 hexadecimal digits of either case.
    ///
    /// # Errors
    /// For anything else.
    pub fn from_hex(digits: &[u8]) -> Result<Self, MalformedDigest> {
        let (pairs, rest) = digits.as_chunks::<2>();
        if pairs.len() != 32 || !rest.is_empty() {
            return Err(MalformedDigest);
        }
        let mut bytes = [0; 32];
        for (byte, [high, low]) in bytes.iter_mut().zip(pairs) {
            *byte = hex_value(*high)? << 4 | hex_value(*low)?;
        }
        Ok(Self(bytes))
    }
}

impl FromStr for Digest {
    type Err = MalformedDigest;
    fn from_str(text: &str) -> Result<Self, Self::Err> {
        Self::from_hex(text.as_bytes())
    }
}

fn hex_value(digit: u8) -> Result<u8, MalformedDigest> {
    match digit {
        b'0'..=b'9' => Ok(digit - b'0'),
        b'a'..=b'f' => Ok(digit - b'a' + 10),
        b'A'..=b'F' => Ok(digit - b'A' + 10),
        _ => Err(MalformedDigest),
    }
}

#[cfg(test)]
mod tests {
    use sha2::{Digest as _, Sha256};

    use super::*;

    // FIPS 180-4, "Secure Hash Standard": the example values for SHA-256 (from memory, the same from coreutils)
    const ABC: &str = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
    const EMPTY: &str = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855";

    #[test]
    fn a_digest_reads_and_shows_the_examples_of_the_standard() {
        for (text, hex) in [("abc", ABC), ("", EMPTY)] {
            let digest = Digest(Sha256::digest(text).into());
            assert_eq!(digest.to_string(), hex);
            assert_eq!(hex.parse(), Ok(digest));
            assert_eq!(hex.to_uppercase().parse(), Ok(digest));
        }
    }

    #[test]
    fn anything_but_64_hexadecimal_digits_is_no_digest() {
        let longer = format!("{ABC}00");
        let odd = format!("{ABC}0");
        let other = ABC.replace('b', "g");
        let signed = ABC.replace("ba", "+a");
        for text in ["", &ABC[1..], &ABC[2..], &longer, &odd, &other, &signed] {
            assert_eq!(text.parse::<Digest>(), Err(MalformedDigest), "{text}");
        }
    }
}
