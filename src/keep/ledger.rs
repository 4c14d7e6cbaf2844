//! The ledger of a job's space on a drive: kept from night to night, so that not every file of every generation
//! need be looked at to know what each takes.
//!
//! A file lies on a drive from the generation it was born in to the last that still has it, in every one between.
//! So bytes are booked by these two names, and a night only tells what was born and what has ended.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use super::SpaceMap;
use crate::record::GenerationName;

/// What each generation of one job takes on one drive.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Ledger {
    /// The newest generation when everything was last measured.
    measured: GenerationName,
    /// Nights booked since then.
    nights: u32,
    /// Bytes that belong to no generation.
    base: u64,
    generations: BTreeSet<GenerationName>,
    #[serde(with = "lines")]
    classes: BTreeMap<Lifetime, u64>,
}

/// From its first generation to its last; without a last one it is still in the newest.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Lifetime {
    born: GenerationName,
    last: Option<GenerationName>,
}

/// What one new generation changed. All amounts are bytes that the file system gave out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Night {
    pub name: GenerationName,
    /// What the generation before has and this one has not: by the generation that it was born in.
    pub ended: Vec<(GenerationName, u64)>,
    /// What is new, and may be shared by later ones: files.
    pub new_bytes: u64,
    /// What is new, and no later one shares: folders, a manifest.
    pub own_bytes: u64,
}

/// A night told of more ending than was there, or of a generation older than the newest: measure anew.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Drifted;

impl Ledger {
    /// The ledger of what was measured, with what of the newest of `generations` no later one will share.
    /// `None` without generations.
    ///
    /// What is shared by generations that are not next to each other is booked for those between them too: that
    /// counts rather too much than too little.
    pub fn of(
        space: &SpaceMap,
        generations: impl IntoIterator<Item = GenerationName>,
        own_bytes: u64,
    ) -> Option<Self> {
        let generations: BTreeSet<GenerationName> = generations.into_iter().collect();
        let newest = *generations.last()?;
        let mut ledger = Self {
            measured: newest,
            nights: 0,
            base: space.base().bytes(),
            generations,
            classes: BTreeMap::new(),
        };
        for (owners, bytes) in space.classes() {
            let (Some(born), Some(last)) = (owners.first(), owners.last()) else {
                continue;
            };
            let last = (*last < newest).then_some(*last);
            ledger.book(*born, last, bytes);
        }
        let own = own_bytes.min(ledger.booked(newest, None));
        ledger.take(newest, None, own);
        ledger.book(newest, Some(newest), own);
        Some(ledger)
    }

    /// The generation up to which it tells.
    pub fn newest(&self) -> Option<GenerationName> {
        self.generations.last().copied()
    }

    /// Nights booked since everything was measured.
    pub fn nights(&self) -> u32 {
        self.nights
    }

    /// Whether it tells of just these generations.
    pub fn is_of(&self, generations: &BTreeSet<GenerationName>) -> bool {
        self.generations == *generations
    }

    /// Books a new generation.
    ///
    /// # Errors
    /// When the night does not fit to what is booked; nothing is changed then.
    pub fn night(&mut self, night: &Night) -> Result<(), Drifted> {
        let before = self.newest().filter(|newest| *newest < night.name);
        let before = before.ok_or(Drifted)?;
        let mut changed = self.clone();
        for (born, bytes) in &night.ended {
            // the one it was born in may be retired: the oldest that still has it stands for it
            let born = self.generations.range(born..).next().ok_or(Drifted)?;
            if changed.booked(*born, None) < *bytes {
                return Err(Drifted);
            }
            changed.take(*born, None, *bytes);
            changed.book(*born, Some(before), *bytes);
        }
        changed.book(night.name, None, night.new_bytes);
        changed.book(night.name, Some(night.name), night.own_bytes);
        changed.generations.insert(night.name);
        changed.nights += 1;
        *self = changed;
        Ok(())
    }

    /// Strikes generations off: what only they held is gone.
    pub fn retire(&mut self, gone: &BTreeSet<GenerationName>) {
        let kept = self.generations.difference(gone).copied().collect();
        self.keep_only(&kept);
    }

    /// Strikes all others off.
    pub fn keep_only(&mut self, kept: &BTreeSet<GenerationName>) {
        let kept: BTreeSet<_> = self.generations.intersection(kept).copied().collect();
        let newest = kept.last().copied();
        self.generations = kept;
        for (lifetime, bytes) in std::mem::take(&mut self.classes) {
            let mut owners = self.owners(lifetime);
            if let Some(born) = owners.next() {
                let last = owners.next_back().unwrap_or(born);
                let ended = lifetime.last.is_some();
                let last = (ended || Some(last) != newest).then_some(last);
                self.book(born, last, bytes);
            }
        }
    }

    /// Which generations share what.
    pub fn to_space_map(&self) -> SpaceMap {
        let mut space = SpaceMap::default();
        space.add([], self.base);
        for (lifetime, bytes) in &self.classes {
            space.add(self.owners(*lifetime), *bytes);
        }
        space
    }

    fn owners(
        &self,
        lifetime: Lifetime,
    ) -> impl DoubleEndedIterator<Item = GenerationName> + use<> {
        let born = lifetime.born;
        let last = lifetime.last.or(self.newest()).unwrap_or(born).max(born);
        let owners: Vec<_> = self.generations.range(born..=last).copied().collect();
        owners.into_iter()
    }

    fn booked(&self, born: GenerationName, last: Option<GenerationName>) -> u64 {
        let booked = self.classes.get(&Lifetime { born, last });
        booked.copied().unwrap_or(0)
    }

    fn book(&mut self, born: GenerationName, last: Option<GenerationName>, bytes: u64) {
        if bytes > 0 {
            *self.classes.entry(Lifetime { born, last }).or_default() += bytes;
        }
    }

    fn take(&mut self, born: GenerationName, last: Option<GenerationName>, bytes: u64) {
        let left = self.booked(born, last).saturating_sub(bytes);
        if left == 0 {
            self.classes.remove(&Lifetime { born, last });
        } else {
            self.classes.insert(Lifetime { born, last }, left);
        }
    }
}

/// A map with such keys is a list in JSON.
mod lines {
    use std::collections::BTreeMap;

    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    use super::Lifetime;
    use crate::record::GenerationName;

    type Line = (GenerationName, Option<GenerationName>, u64);

    pub fn serialize<S: Serializer>(
        classes: &BTreeMap<Lifetime, u64>,
        serializer: S,
    ) -> Result<S::Ok, S::Error> {
        let line = |(of, bytes): (&Lifetime, &u64)| (of.born, of.last, *bytes);
        let lines: Vec<Line> = classes.iter().map(line).collect();
        lines.serialize(serializer)
    }

    pub fn deserialize<'de, D: Deserializer<'de>>(
        deserializer: D,
    ) -> Result<BTreeMap<Lifetime, u64>, D::Error> {
        let lines = Vec::<Line>::deserialize(deserializer)?;
        let class = |(born, last, bytes)| (Lifetime { born, last }, bytes);
        Ok(lines.into_iter().map(class).collect())
    }
}

#[cfg(test)]
#[path = "ledger_tests.rs"]
mod tests;
