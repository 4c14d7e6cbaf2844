//! One name of the source as it was when it was last copied.

use crate::prove::manifest::{Digest, Time};

/// The block of the source host's root.
pub const ROOT: u32 = 0;

/// What the index remembers of a name, beside the name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Seen {
    pub name: Vec<u8>,
    pub kind: SeenKind,
    /// The twelve bits of chmod(2).
    pub mode: u32,
    pub uid: u32,
    pub gid: u32,
    /// Of the last modification of the content.
    pub modified: Time,
    /// Of the last change of anything: the kernel sets it, and nobody can set it back.
    pub changed: Time,
    pub inode: u64,
    /// The file system, by its number in the index.
    pub file_system: u16,
    pub marks: Marks,
    /// Since which generation the drive holds this very file, by its number in the index.
    pub born: u32,
    /// What it takes on the drive, in blocks of 512 bytes.
    pub blocks: u64,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum SeenKind {
    /// What is in it stands in the block of this number.
    Folder {
        block: u32,
    },
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
        number: u64,
    },
    BlockDevice {
        number: u64,
    },
}

/// What else is known of a name.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Marks(pub u8);

impl Marks {
    /// Its times were old enough, when it was read, that a later change must show in them.
    pub const SETTLED: Self = Self(1);
    /// The inode had several names.
    pub const SEVERAL: Self = Self(2);
    /// Equal to what the last generation holds at the same path.
    pub const SAME: Self = Self(4);
    /// It was gone when it was to be copied.
    pub const GONE: Self = Self(8);

    pub fn has(self, mark: Self) -> bool {
        self.0 & mark.0 != 0
    }

    pub fn put(&mut self, mark: Self) {
        self.0 |= mark.0;
    }

    pub fn drop(&mut self, mark: Self) {
        self.0 &= !mark.0;
    }
}

impl Seen {
    pub fn is_folder(&self) -> bool {
        matches!(self.kind, SeenKind::Folder { .. })
    }

    /// Length of a file's content, else 0.
    pub fn size(&self) -> u64 {
        match self.kind {
            SeenKind::File { size, .. } => size,
            _ => 0,
        }
    }

    pub fn digest(&self) -> Option<Digest> {
        match self.kind {
            SeenKind::File { digest, .. } => digest,
            _ => None,
        }
    }

    pub fn set_digest(&mut self, found: Digest) {
        if let SeenKind::File { digest, .. } = &mut self.kind {
            *digest = Some(found);
        }
    }

    /// Whether both are of one kind with the same content, as far as `stat` and the link's target tell.
    pub fn is_alike(&self, other: &Self) -> bool {
        let kind = match (&self.kind, &other.kind) {
            (SeenKind::File { size: one, .. }, SeenKind::File { size: two, .. }) => one == two,
            (SeenKind::Folder { .. }, SeenKind::Folder { .. }) => true,
            (one, two) => one == two,
        };
        kind && self.mode == other.mode
            && self.uid == other.uid
            && self.gid == other.gid
            && (self.modified == other.modified)
    }

    /// Whether nothing at all happened to the inode between the two looks.
    pub fn is_untouched_since(&self, earlier: &Self) -> bool {
        earlier.marks.has(Marks::SETTLED)
            && self.is_alike(earlier)
            && self.changed == earlier.changed
            && self.inode == earlier.inode
            && self.file_system == earlier.file_system
    }
}
