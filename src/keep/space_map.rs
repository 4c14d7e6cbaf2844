//! How generations share the space of a drive: files hard-linked between them take it once.
//!
//! Files are gathered into classes: all those that are in exactly the same set of generations. What one
//! generation takes alone, what it shares, and what any set takes together follows from the classes.

use std::collections::{BTreeMap, BTreeSet};

use crate::jobs::Size;
use crate::record::GenerationName;

#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct SpaceMap {
    base: u64,
    classes: BTreeMap<BTreeSet<GenerationName>, u64>,
}

impl SpaceMap {
    /// Count `bytes` that exactly these generations share. With no owners they belong to none: the
    /// job's folder itself, its catalogue, leftovers.
    pub fn add(&mut self, owners: impl IntoIterator<Item = GenerationName>, bytes: u64) {
        let owners: BTreeSet<GenerationName> = owners.into_iter().collect();
        if bytes == 0 {
            return;
        }
        if owners.is_empty() {
            self.base += bytes;
        } else {
            *self.classes.entry(owners).or_default() += bytes;
        }
    }

    /// What is in the folder and belongs to no generation.
    pub fn base(&self) -> Size {
        Size(self.base)
    }

    /// What retiring only this generation would free.
    pub fn alone(&self, generation: GenerationName) -> Size {
        self.sum(|owners| owners.len() == 1 && owners.contains(&generation))
    }

    /// What this generation has in common with others.
    pub fn shared(&self, generation: GenerationName) -> Size {
        self.sum(|owners| owners.len() > 1 && owners.contains(&generation))
    }

    /// What the folder takes when just these generations are there, with [`SpaceMap::base`].
    pub fn use_of(&self, kept: &BTreeSet<GenerationName>) -> Size {
        let classes = self.sum(|owners| !owners.is_disjoint(kept));
        Size(self.base + classes.bytes())
    }

    /// What the folder takes now.
    pub fn total(&self) -> Size {
        Size(self.base + self.classes.values().sum::<u64>())
    }

    /// The classes: the generations that share them, and their bytes.
    pub fn classes(&self) -> impl Iterator<Item = (&BTreeSet<GenerationName>, u64)> {
        self.classes.iter().map(|(owners, bytes)| (owners, *bytes))
    }

    fn sum(&self, belongs: impl Fn(&BTreeSet<GenerationName>) -> bool) -> Size {
        Size(
            self.classes()
                .filter(|(owners, _)| belongs(owners))
                .map(|(_, bytes)| bytes)
                .sum(),
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn night(day: u8) -> GenerationName {
        GenerationName::parse(&format!("202611{day:02}T023000Z")).expect("a generation's name")
    }

    #[test]
    fn a_shared_file_is_counted_once_for_the_set_and_for_no_generation_alone() {
        let mut space = SpaceMap::default();
        space.add([], 4096);
        space.add([night(1)], 10);
        space.add([night(2)], 20);
        space.add([night(1), night(2)], 1000);
        assert_eq!(space.alone(night(1)), Size(10));
        assert_eq!(space.shared(night(1)), Size(1000));
        assert_eq!(
            space.use_of(&BTreeSet::from([night(2)])),
            Size(4096 + 20 + 1000)
        );
        assert_eq!(space.total(), Size(4096 + 10 + 20 + 1000));
    }
}
