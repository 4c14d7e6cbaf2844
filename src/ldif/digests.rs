//! Two exports of a directory, entry by entry, however large: digests on a first pass, and what differs in full
//! on a second one.

use std::cmp::Ordering;
use std::collections::{BTreeMap, BTreeSet, btree_map};
use std::io::BufRead;

use sha2::{Digest as _, Sha256};

use super::attribute::AttributeNames;
use super::compare::{Difference, difference, sorted};
use super::dn::Dn;
use super::dn_key::DnKey;
use super::error::{LdifError, LdifTrouble};
use super::reader::Reader;
use super::record::Entry;

/// SHA-256 of all values of an entry, in an order and spelling of their own.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Digest([u8; 32]);

/// Of every entry, in the order of the tree. In memory are the names and the digests.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Digests(BTreeMap<DnKey, Digest>);

/// How two exports differ.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Compared {
    pub only_old: BTreeSet<DnKey>,
    pub only_new: BTreeSet<DnKey>,
    pub differ: BTreeSet<DnKey>,
    /// How many entries are the same in both.
    pub same: usize,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct EntryDifference {
    /// As the new export spells it.
    pub dn: Dn,
    pub difference: Difference,
}

impl Digest {
    pub fn of(entry: &Entry, aside: &AttributeNames) -> Self {
        let mut digest = Sha256::new();
        for one in sorted(entry, aside) {
            // lengths first, so that no two lists of values give the same bytes
            for part in [one.name.key().as_bytes(), &one.value] {
                digest.update((part.len() as u64).to_le_bytes());
                digest.update(part);
            }
        }
        Self(digest.finalize().into())
    }
}

impl Digests {
    /// Reads to the end.
    ///
    /// # Errors
    /// What is wrong with the file; also a change, or an entry that is there twice.
    pub fn of<R: BufRead>(
        reader: &mut Reader<R>,
        aside: &AttributeNames,
    ) -> Result<Self, LdifError> {
        let mut digests = Self::default();
        while let Some(entry) = reader.next_entry() {
            let entry = entry?;
            if !digests.insert(&entry, aside) {
                let dn = entry.dn.to_string();
                return Err(reader.error_at_record(LdifTrouble::Twice { dn }));
            }
        }
        Ok(digests)
    }

    /// For those who read by themselves. `false` when the entry is there already; it is not replaced.
    pub fn insert(&mut self, entry: &Entry, aside: &AttributeNames) -> bool {
        match self.0.entry(entry.dn.key().clone()) {
            btree_map::Entry::Vacant(vacant) => {
                vacant.insert(Digest::of(entry, aside));
                true
            }
            btree_map::Entry::Occupied(_) => false,
        }
    }

    pub fn len(&self) -> usize {
        self.0.len()
    }

    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    pub fn get(&self, key: &DnKey) -> Option<&Digest> {
        self.0.get(key)
    }

    pub fn keys(&self) -> impl Iterator<Item = &DnKey> {
        self.0.keys()
    }

    /// Both must have been made with the same attributes left aside.
    pub fn compare(old: &Self, new: &Self) -> Compared {
        let mut compared = Compared::default();
        let (mut olds, mut news) = (old.0.iter().peekable(), new.0.iter().peekable());
        loop {
            let order = match (olds.peek(), news.peek()) {
                (None, None) => return compared,
                (Some(_), None) => Ordering::Less,
                (None, Some(_)) => Ordering::Greater,
                (Some((a, _)), Some((b, _))) => a.cmp(b),
            };
            let old = if order.is_le() { olds.next() } else { None };
            let new = if order.is_ge() { news.next() } else { None };
            match (old, new) {
                (Some((_, a)), Some((_, b))) if a == b => compared.same += 1,
                (Some((key, _)), Some(_)) => _ = compared.differ.insert(key.clone()),
                (Some((key, _)), None) => _ = compared.only_old.insert(key.clone()),
                (None, Some((key, _))) => _ = compared.only_new.insert(key.clone()),
                (None, None) => return compared,
            }
        }
    }
}

impl Compared {
    pub fn is_same(&self) -> bool {
        self.only_old.is_empty() && self.only_new.is_empty() && self.differ.is_empty()
    }
}

/// The second pass: what differs within the first `most` entries that differ, in the order of the tree. That many
/// entries of the old export are in memory.
///
/// # Errors
/// What is wrong with either file.
pub fn differences<A: BufRead, B: BufRead>(
    old: Reader<A>,
    new: Reader<B>,
    compared: &Compared,
    aside: &AttributeNames,
    most: usize,
) -> Result<Vec<EntryDifference>, LdifError> {
    let wanted: BTreeSet<&DnKey> = compared.differ.iter().take(most).collect();
    let mut olds = BTreeMap::new();
    for entry in old.entries() {
        let entry = entry?;
        if wanted.contains(entry.dn.key()) {
            olds.insert(entry.dn.key().clone(), entry);
        }
    }
    let mut found = Vec::new();
    for entry in new.entries() {
        let entry = entry?;
        if let Some(old) = olds.remove(entry.dn.key()) {
            let difference = difference(&old, &entry, aside);
            let dn = entry.dn;
            found.push(EntryDifference { dn, difference });
        }
    }
    found.sort_unstable_by(|a, b| a.dn.cmp(&b.dn));
    Ok(found)
}
