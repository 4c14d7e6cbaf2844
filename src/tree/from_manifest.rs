//! An index made from a manifest and the copy that it tells of, where the index of the source is lost: nothing
//! in it proves that a file is the same, so each is read.

use std::collections::HashSet;
use std::io::{self, BufRead};
use std::os::fd::OwnedFd;

use rustix::fs::{AtFlags, ResolveFlags, StatxFlags, openat2, statx};

use super::index::{Foot, Marks, NewIndex, Seen, SeenKind};
use super::survey::Before;
use crate::prove::manifest::{self, Entry, EntryKind, Time};
use crate::record::GenerationName;

/// # Errors
/// When the manifest cannot be read or is damaged.
pub fn before(
    manifest: impl BufRead,
    generation: GenerationName,
    copy: OwnedFd,
) -> io::Result<Before> {
    let index = NewIndex::in_memory()?;
    let mut inodes = Inodes::default();
    let mut open: Vec<Open> = vec![Open::new(Vec::new(), &index)];
    for entry in manifest::read(manifest) {
        let entry = entry.map_err(|error| io::Error::new(io::ErrorKind::InvalidData, error))?;
        let Some((parent, name)) = split(&entry.path) else {
            continue;
        };
        while open.len() > 1 && open.last().is_some_and(|last| last.path != parent) {
            close(&mut open, &index)?;
        }
        let below =
            matches!(entry.kind, EntryKind::Folder).then(|| Open::new(entry.path.clone(), &index));
        let seen = seen(&entry, name, below.as_ref(), inodes.of(&copy, &entry));
        if let Some(last) = open.last_mut() {
            last.names.push(seen);
        }
        open.extend(below);
    }
    while !open.is_empty() {
        close(&mut open, &index)?;
    }
    let foot = Foot {
        generation,
        file_systems: Vec::new(),
        births: vec![generation],
        alive: std::collections::BTreeMap::new(),
    };
    Ok(Before {
        index: index.into_index(&foot)?,
        copy,
        joined: inodes.joined,
    })
}

/// A folder whose names are being gathered.
struct Open {
    path: Vec<u8>,
    block: u32,
    names: Vec<Seen>,
}

impl Open {
    fn new(path: Vec<u8>, index: &NewIndex) -> Self {
        Self {
            path,
            block: index.number(),
            names: Vec::new(),
        }
    }
}

fn close(open: &mut Vec<Open>, index: &NewIndex) -> io::Result<()> {
    let Some(mut last) = open.pop() else {
        return Ok(());
    };
    last.names.sort_unstable_by(|a, b| a.name.cmp(&b.name));
    index.put(last.block, &last.names)
}

/// A path's folder and last name; none for the root.
fn split(path: &[u8]) -> Option<(&[u8], &[u8])> {
    if path.is_empty() {
        return None;
    }
    match path.iter().rposition(|byte| *byte == b'/') {
        Some(at) => Some((&path[..at], &path[at + 1..])),
        None => Some((&[], path)),
    }
}

fn seen(entry: &Entry, name: &[u8], below: Option<&Open>, inode: u64) -> Seen {
    let device = |major, minor| rustix::fs::makedev(major, minor);
    let kind = match &entry.kind {
        EntryKind::Folder => SeenKind::Folder {
            block: below.map_or(0, |below| below.block),
        },
        EntryKind::File { size, digest } => SeenKind::File {
            size: *size,
            digest: *digest,
        },
        EntryKind::Link { target } => SeenKind::Link {
            target: target.clone(),
        },
        EntryKind::Fifo => SeenKind::Fifo,
        EntryKind::Socket => SeenKind::Socket,
        EntryKind::CharDevice { major, minor } => SeenKind::CharDevice {
            number: device(*major, *minor),
        },
        EntryKind::BlockDevice { major, minor } => SeenKind::BlockDevice {
            number: device(*major, *minor),
        },
    };
    Seen {
        name: name.to_owned(),
        kind,
        mode: entry.mode,
        uid: entry.uid,
        gid: entry.gid,
        modified: entry.time,
        changed: Time::default(),
        inode,
        file_system: 0,
        marks: Marks::default(),
        born: 0,
        blocks: 0,
    }
}

/// Which files of the copy are the same inode. A manifest does not tell.
#[derive(Default)]
struct Inodes {
    met: HashSet<u64>,
    joined: HashSet<u64>,
}

impl Inodes {
    /// The inode of a file in the copy; 0 when it is not there.
    fn of(&mut self, copy: &OwnedFd, entry: &Entry) -> u64 {
        if !matches!(entry.kind, EntryKind::File { .. }) {
            return 0;
        }
        let name = <std::ffi::OsStr as std::os::unix::ffi::OsStrExt>::from_bytes(&entry.path);
        let inside = ResolveFlags::BENEATH | ResolveFlags::NO_SYMLINKS;
        let flags = rustix::fs::OFlags::PATH | rustix::fs::OFlags::CLOEXEC;
        let found = openat2(copy, name, flags, rustix::fs::Mode::empty(), inside)
            .and_then(|file| statx(&file, "", AtFlags::EMPTY_PATH, StatxFlags::INO));
        let Ok(found) = found else {
            return 0;
        };
        if !self.met.insert(found.stx_ino) {
            self.joined.insert(found.stx_ino);
        }
        found.stx_ino
    }
}
