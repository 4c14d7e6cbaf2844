//! The manifest of a new copy, from its index: names in order, folders before what is in them.

use std::collections::{BTreeMap, HashSet};
use std::io;

use super::index::{Marks, NewIndex, ROOT, Seen, SeenKind};
use crate::prove::manifest::{Entry, EntryKind};
use crate::record::Changes;

/// What the names of a copy come to.
#[derive(Debug, Default)]
pub struct Totals {
    pub files: u64,
    pub bytes: u64,
    /// Bytes on the drive, by the number of the generation in which they were new.
    pub alive: BTreeMap<u32, u64>,
}

impl Totals {
    pub fn correct(&self, changes: &mut Changes) {
        changes.files = self.files;
        changes.bytes = self.bytes;
    }
}

/// Hands each name below the root to `take`, depth first.
///
/// # Errors
/// When the index cannot be read; what `take` says.
pub fn list(
    index: &NewIndex,
    mut take: impl FnMut(&Entry) -> io::Result<()>,
) -> io::Result<Totals> {
    let mut totals = Totals::default();
    let mut several = HashSet::new();
    let mut open: Vec<(Vec<u8>, std::vec::IntoIter<Seen>)> =
        vec![(Vec::new(), names_of(index, ROOT)?)];
    while let Some((path, names)) = open.last_mut() {
        let Some(seen) = names.next() else {
            open.pop();
            continue;
        };
        if seen.marks.has(Marks::GONE) {
            continue;
        }
        let mut below = path.clone();
        if !below.is_empty() {
            below.push(b'/');
        }
        below.extend(&seen.name);
        let is_first =
            !seen.marks.has(Marks::SEVERAL) || several.insert((seen.file_system, seen.inode));
        if is_first {
            *totals.alive.entry(seen.born).or_default() += seen.blocks * 512;
        }
        let block = match seen.kind {
            SeenKind::Folder { block } => Some(block),
            _ => None,
        };
        if block.is_none() {
            totals.files += 1;
            totals.bytes += seen.size();
        }
        let entry = entry(seen, below);
        take(&entry)?;
        if let Some(block) = block {
            open.push((entry.path, names_of(index, block)?));
        }
    }
    Ok(totals)
}

/// The names of a folder. mtree(8) takes those with `*`, `?` or `[` for patterns, and for a file the first that fits: so
/// they stand last, the longest first.
fn names_of(index: &NewIndex, block: u32) -> io::Result<std::vec::IntoIter<Seen>> {
    let mut names = index.block(block)?;
    names.sort_by_key(|seen| {
        let is_pattern = seen.name.iter().any(|byte| b"*?[".contains(byte));
        is_pattern.then_some(std::cmp::Reverse(seen.name.len()))
    });
    Ok(names.into_iter())
}

fn entry(seen: Seen, path: Vec<u8>) -> Entry {
    let device = |number: u64| (rustix::fs::major(number), rustix::fs::minor(number));
    Entry {
        path,
        kind: match seen.kind {
            SeenKind::Folder { .. } => EntryKind::Folder,
            SeenKind::File { size, digest } => EntryKind::File { size, digest },
            SeenKind::Link { target } => EntryKind::Link { target },
            SeenKind::Fifo => EntryKind::Fifo,
            SeenKind::Socket => EntryKind::Socket,
            SeenKind::CharDevice { number } => {
                let (major, minor) = device(number);
                EntryKind::CharDevice { major, minor }
            }
            SeenKind::BlockDevice { number } => {
                let (major, minor) = device(number);
                EntryKind::BlockDevice { major, minor }
            }
        },
        mode: seen.mode,
        uid: seen.uid,
        gid: seen.gid,
        time: seen.modified,
    }
}
