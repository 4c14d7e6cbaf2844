//! Which files of a batch another host is to read, each once however many names it has, and what is known of their content then.

use std::collections::{BTreeMap, HashMap};

use super::compare::Content;
use super::far_seen::Far;
use super::known::Known;
use crate::prove::manifest::{Digest, Entry, EntryKind};

/// The files that are to be read.
#[derive(Debug, Default)]
pub struct ToRead {
    /// Each with a NUL behind it.
    pub names: Vec<u8>,
    pub bytes: u64,
    /// Files that were read under another name before.
    known: BTreeMap<Vec<u8>, Content>,
    /// Names of files that are read under another name in this batch, and that name.
    same_file: Vec<(Vec<u8>, Vec<u8>)>,
    inodes: HashMap<(u64, u64), Vec<u8>>,
}

/// What is known of the content of each name.
#[derive(Debug, Default)]
pub struct Contents {
    known: BTreeMap<Vec<u8>, Content>,
    digests: HashMap<Vec<u8>, (Digest, u64)>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Found {
    Known(Content),
    /// And how often the file was read for it: not again for another of its names.
    Digest(Digest, u64),
}

impl ToRead {
    /// Adds a name that is to be read, unless the file is known under another one.
    pub fn add(&mut self, name: Vec<u8>, entry: &Entry, far: &Far, known: &Known) {
        let (EntryKind::File { digest, .. }, EntryKind::File { size, .. }) =
            (&entry.kind, &far.entry.kind)
        else {
            return;
        };
        if far.links > 1 {
            let had = digest.and_then(|digest| known.had(far.device, far.inode, &digest));
            if let Some(same) = had {
                self.known.insert(name, Content::of(same));
                return;
            }
            let inode = (far.device, far.inode);
            if let Some(first) = self.inodes.get(&inode) {
                self.same_file.push((name, first.clone()));
                return;
            }
            self.inodes.insert(inode, name.clone());
        }
        self.bytes += size;
        self.names.extend(name);
        self.names.push(0);
    }

    /// With the digests that were read.
    pub fn contents(self, digests: HashMap<Vec<u8>, Digest>) -> Contents {
        let once = |(name, digest)| (name, (digest, 1));
        let mut digests: HashMap<_, _> = digests.into_iter().map(once).collect();
        for (name, first) in self.same_file {
            if let Some((digest, _)) = digests.get(&first).copied() {
                digests.insert(name, (digest, 0));
            }
        }
        Contents {
            known: self.known,
            digests,
        }
    }
}

impl Contents {
    /// `None` when the file could not be read.
    pub fn of(&self, name: &[u8]) -> Option<Found> {
        if let Some(known) = self.known.get(name) {
            return Some(Found::Known(*known));
        }
        let (digest, reads) = self.digests.get(name)?;
        Some(Found::Digest(*digest, *reads))
    }
}
