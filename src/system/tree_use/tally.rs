//! Adds up entries into a [`SpaceMap`] with little memory: only files that may be shared are remembered.

use std::collections::{BTreeMap, HashMap};

use super::TreeUse;
use super::shared_blocks::SharedBlocks;
use crate::keep::SpaceMap;
use crate::record::GenerationName;
use crate::tools::filefrag::{SharedExtent, Storage};

/// Bytes in one block of `st_blocks`, whatever the file system's own block size (stat(3type)).
const BLOCK: u64 = 512;
const MOST_NOTES: usize = 100;

/// A set of owners, as an index into [`Owners::sets`].
pub(super) type SetId = u32;

/// A file that may be in several generations, as an index into [`Tally::files`].
pub(super) type FileId = u32;

/// One entry of the tree.
#[derive(Debug, Clone, Copy)]
pub(super) struct Entry {
    /// The generation it belongs to; none for what lies beside them.
    pub owner: Option<GenerationName>,
    pub sharing: Sharing,
    pub blocks: u64,
}

/// Where else an entry's blocks may be.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Sharing {
    /// Nowhere, now and later: a folder, or what lies beside the generations.
    Never,
    /// A later generation may share it; now it has one name.
    NotYet,
    /// Wherever this file is.
    With(FileKey),
}

/// What is the same for all names of a file, and for a file in a snapshot and in what that was taken of.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(super) enum FileKey {
    Inode(u64),
    /// In a btrfs subvolume. A snapshot keeps inode numbers, and every change of a file sets its time of change.
    InSubvolume {
        inode: u64,
        seconds: i64,
        nanoseconds: u64,
    },
}

struct File {
    blocks: u64,
    owners: SetId,
    /// Bytes of it that are told by [`Tally::shared_blocks`].
    told: u64,
}

#[derive(Default)]
pub(super) struct Tally {
    space: SpaceMap,
    own: BTreeMap<GenerationName, u64>,
    owners: Owners,
    ids: HashMap<FileKey, FileId>,
    files: Vec<File>,
    shared_blocks: SharedBlocks,
    compressed: bool,
    notes: Vec<String>,
    more_notes: u64,
}

impl Tally {
    /// Gives the file's number when it is met for the first time.
    pub fn add(&mut self, entry: Entry) -> Option<FileId> {
        let Sharing::With(key) = entry.sharing else {
            let bytes = entry.blocks * BLOCK;
            self.space.add(entry.owner, bytes);
            if let (Sharing::Never, Some(owner)) = (entry.sharing, entry.owner) {
                *self.own.entry(owner).or_default() += bytes;
            }
            return None;
        };
        if let Some(id) = self.ids.get(&key) {
            let file = &mut self.files[*id as usize];
            file.owners = self.owners.grow(Some(file.owners), entry.owner);
            return None;
        }
        let id = FileId::try_from(self.files.len()).unwrap_or(FileId::MAX);
        self.ids.insert(key, id);
        self.files.push(File {
            blocks: entry.blocks,
            owners: self.owners.grow(None, entry.owner),
            told: 0,
        });
        Some(id)
    }

    /// Where the blocks of a file lie that other files may hold as well.
    pub fn add_extents(&mut self, file: FileId, extents: &[SharedExtent]) {
        for extent in extents {
            self.files[file as usize].told += extent.length;
            self.compressed |= extent.storage == Storage::Encoded;
            self.shared_blocks.add(file, *extent);
        }
    }

    pub fn note(&mut self, words: String) {
        if self.notes.len() < MOST_NOTES {
            self.notes.push(words);
        } else {
            self.more_notes += 1;
        }
    }

    pub fn finish(mut self) -> TreeUse {
        let mut by_set = vec![0_u64; self.owners.sets.len()];
        for file in &self.files {
            let untold = (file.blocks * BLOCK).saturating_sub(file.told);
            by_set[file.owners as usize] += untold;
        }
        let owners_of = |file: FileId| self.files[file as usize].owners;
        for (set, bytes) in self.shared_blocks.by_owners(owners_of, &mut self.owners) {
            let set = set as usize;
            by_set.resize(by_set.len().max(set + 1), 0);
            by_set[set] += bytes;
        }
        for (owners, bytes) in self.owners.sets.iter().zip(by_set) {
            // What is also outside every generation stays when they go.
            let base = owners.contains(&None);
            let owners = owners.iter().flatten().copied().filter(|_| !base);
            self.space.add(owners, bytes);
        }
        if self.compressed {
            let words =
                "compressed files are counted by their length before compression: they take less";
            self.notes.push(words.to_owned());
        }
        if self.more_notes > 0 {
            self.notes
                .push(format!("and {} more like these", self.more_notes));
        }
        TreeUse {
            space: self.space,
            own: self.own,
            notes: self.notes,
        }
    }
}

/// The sets of owners met so far: there are far fewer than files.
#[derive(Default)]
pub(super) struct Owners {
    /// Each sorted. `None` stands for what belongs to no generation.
    sets: Vec<Vec<Option<GenerationName>>>,
    ids: HashMap<Vec<Option<GenerationName>>, SetId>,
    grown: HashMap<(SetId, Option<GenerationName>), SetId>,
}

impl Owners {
    /// The set that comes of adding `owner` to `set`.
    pub fn grow(&mut self, set: Option<SetId>, owner: Option<GenerationName>) -> SetId {
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

    /// The set of all that are in either.
    pub fn join(&mut self, one: SetId, other: SetId) -> SetId {
        if one == other {
            return one;
        }
        let more = self.sets[other as usize].clone();
        more.into_iter()
            .fold(one, |set, owner| self.grow(Some(set), owner))
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
