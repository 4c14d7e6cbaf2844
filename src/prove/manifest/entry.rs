//! One name of a tree, as a manifest tells it.

use std::fmt;

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
