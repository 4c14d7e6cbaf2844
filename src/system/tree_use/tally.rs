//! Adds up entries into a [`SpaceMap`] with little memory: only files with several names are remembered.

use std::collections::HashMap;

use super::TreeUse;
use crate::keep::SpaceMap;
use crate::record::GenerationName;

/// Bytes in one block of `st_blocks`, whatever the file system's own block size (stat(3type)).
const BLOCK: u64 = 512;
const MOST_NOTES: usize = 100;

/// A set of owners, as an index into [`Tally::sets`].
type SetId = u32;

/// One entry of the tree.
#[derive(Debug, Clone, Copy)]
pub(super) struct Entry {
    /// The generation it belongs to; none for what lies beside them.
    pub owner: Option<GenerationName>,
    pub inode: u64,
    pub links: Links,
    pub blocks: u64,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Links {
    /// The only name of its inode. Folders are, whatever their link count.
    One,
    Several,
}

#[derive(Default)]
pub(super) struct Tally {
    space: SpaceMap,
    /// Every set of owners met so far, sorted. `None` stands for what belongs to no generation.
    sets: Vec<Vec<Option<GenerationName>>>,
    ids: HashMap<Vec<Option<GenerationName>>, SetId>,
    grown: HashMap<(SetId, Option<GenerationName>), SetId>,
    /// Blocks and owners of each inode with several names.
    several: HashMap<u64, (u64, SetId)>,
    notes: Vec<String>,
    more_notes: u64,
}

impl Tally {
    pub fn add(&mut self, entry: Entry) {
        if entry.links == Links::One {
            self.space.add(entry.owner, entry.blocks * BLOCK);
            return;
        }
        let (blocks, set) = match self.several.get(&entry.inode) {
            Some((blocks, set)) => (*blocks, Some(*set)),
            None => (entry.blocks, None),
        };
        let set = self.grow(set, entry.owner);
        self.several.insert(entry.inode, (blocks, set));
    }

    pub fn note(&mut self, words: String) {
        if self.notes.len() < MOST_NOTES {
            self.notes.push(words);
        } else {
            self.more_notes += 1;
        }
    }

    pub fn finish(mut self) -> TreeUse {
        let mut by_set = vec![0_u64; self.sets.len()];
        for (blocks, set) in self.several.into_values() {
            by_set[set as usize] += blocks * BLOCK;
        }
        for (owners, bytes) in self.sets.iter().zip(by_set) {
            // What is also outside every generation stays when they go.
            let base = owners.contains(&None);
            let owners = owners.iter().flatten().copied().filter(|_| !base);
            self.space.add(owners, bytes);
        }
        if self.more_notes > 0 {
            self.notes
                .push(format!("and {} more like these", self.more_notes));
        }
        TreeUse {
            space: self.space,
            notes: self.notes,
        }
    }

    /// The set that comes of adding `owner` to `set`.
    fn grow(&mut self, set: Option<SetId>, owner: Option<GenerationName>) -> SetId {
        if let Some(id) = set
            && let Some(grown) = self.grown.get(&(id, owner))
        {
            return *grown;
        }
        let mut owners = set.map_or_else(Vec::new, |id| self.sets[id as usize].clone());
        if let Err(place) = owners.binary_search(&owner) {
            owners.insert(place, owner);
        }
        let next = SetId::try_from(self.sets.len()).unwrap_or(SetId::MAX);
        let id = *self.ids.entry(owners.clone()).or_insert(next);
        if id == next {
            self.sets.push(owners);
        }
        if let Some(set) = set {
            self.grown.insert((set, owner), id);
        }
        id
    }
}

/// The generation that an entry of a job's folder belongs to: `NAME`, `NAME.mtree`, `NAME.tar.zst`, ….
/// What is still `.partial` belongs to none.
pub(super) fn owner_of(entry: &[u8]) -> Option<GenerationName> {
    let text = str::from_utf8(entry).ok()?;
    let (name, rest) = text.split_once('.').unwrap_or((text, ""));
    if rest == "partial" || rest.ends_with(".partial") {
        return None;
    }
    GenerationName::parse(name).ok()
}
