//! Chooses files of a manifest by chance, so that big and small, old and new are all met: pure.
//!
//! Files are sorted into classes by size (a factor of 64 each) and age (a week, a month, a year, four years, older). Every
//! class that has files gives as many as every other, as far as it has them; within a class each file is as
//! likely as the next. The manifest is read twice, and nothing of it is kept in memory.

use std::collections::BTreeMap;

use sha2::{Digest as _, Sha256};

use crate::prove::manifest::{Entry, EntryKind, Time};

const DAY: i64 = 86_400;

/// Size and age, each in steps.
type Class = (u8, u8);

/// How many files of each class there are, and how many are wanted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sample {
    left: BTreeMap<Class, Share>,
    /// The instant from which age is counted.
    at: Time,
    dice: Dice,
}

#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
struct Share {
    files: u64,
    wanted: u64,
}

impl Sample {
    /// A sample of `wanted` of the files that `count` will be told of, by a seed.
    pub fn new(seed: &str, at: Time) -> Self {
        Self {
            left: BTreeMap::new(),
            at,
            dice: Dice::new(seed),
        }
    }

    /// The first reading of the manifest.
    pub fn count(&mut self, entry: &Entry) {
        if let Some(class) = self.class(entry) {
            self.left.entry(class).or_default().files += 1;
        }
    }

    /// Between the readings: shares out how many of each class are wanted.
    pub fn share_out(&mut self, wanted: u64) {
        let mut left = wanted;
        let mut open: Vec<Class> = self.left.keys().copied().collect();
        while left > 0 && !open.is_empty() {
            let classes = u64::try_from(open.len()).unwrap_or(u64::MAX);
            // fewer than there are classes: one each, and chance says which go without
            let each = left / classes;
            if each == 0 {
                let first = self.dice.below(classes);
                open.rotate_left(usize::try_from(first).unwrap_or(0));
            }
            for class in &open {
                let Some(share) = self.left.get_mut(class) else {
                    continue;
                };
                let more = each.max(1).min(share.files - share.wanted).min(left);
                share.wanted += more;
                left -= more;
            }
            open.retain(|class| {
                let share = self.left.get(class).copied().unwrap_or_default();
                share.wanted < share.files
            });
        }
    }

    /// The second reading, in the same order: whether this file is one of them. Selection sampling: Knuth, The Art of
    /// Computer Programming, volume 2, section 3.4.2, algorithm S (from memory).
    pub fn chooses(&mut self, entry: &Entry) -> bool {
        let Some(class) = self.class(entry) else {
            return false;
        };
        let Some(share) = self.left.get_mut(&class) else {
            return false;
        };
        if share.wanted == 0 || share.files == 0 {
            return false;
        }
        let chosen = self.dice.below(share.files) < share.wanted;
        share.files -= 1;
        share.wanted -= u64::from(chosen);
        chosen
    }

    fn class(&self, entry: &Entry) -> Option<Class> {
        let EntryKind::File { size, .. } = entry.kind else {
            return None;
        };
        let age = self.at.seconds.saturating_sub(entry.time.seconds);
        let limits = [7 * DAY, 30 * DAY, 365 * DAY, 4 * 365 * DAY];
        let old = limits.iter().filter(|limit| age >= **limit).count();
        let big = (0..6).filter(|step| size >= 64_u64.pow(*step)).count();
        Some((u8::try_from(big).ok()?, u8::try_from(old).ok()?))
    }
}

/// Numbers that look like chance and come again with the same seed: SHA-256 of the seed and a count.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Dice {
    seed: [u8; 32],
    count: u64,
}

impl Dice {
    fn new(seed: &str) -> Self {
        Self {
            seed: Sha256::digest(seed.as_bytes()).into(),
            count: 0,
        }
    }

    /// A number below `limit`; of 64 bits, so that the unevenness of the remainder is far below notice.
    fn below(&mut self, limit: u64) -> u64 {
        let mut hasher = Sha256::new();
        hasher.update(self.seed);
        hasher.update(self.count.to_be_bytes());
        self.count += 1;
        let digest: [u8; 32] = hasher.finalize().into();
        let mut number = [0; 8];
        number.copy_from_slice(&digest[..8]);
        u64::from_be_bytes(number) % limit.max(1)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const NOW: i64 = 1_795_573_800;

    fn file(number: usize, size: u64, age_days: i64) -> Entry {
        Entry {
            path: number.to_string().into_bytes(),
            kind: EntryKind::File { size, digest: None },
            mode: 0o644,
            uid: 0,
            gid: 0,
            time: Time {
                seconds: NOW - age_days * 86_400,
                nanos: 0,
            },
        }
    }

    fn chosen(files: &[Entry], wanted: u64, seed: &str) -> Vec<usize> {
        let at = Time {
            seconds: NOW,
            nanos: 0,
        };
        let mut sample = Sample::new(seed, at);
        for entry in files {
            sample.count(entry);
        }
        sample.share_out(wanted);
        let mut chosen = Vec::new();
        for (number, entry) in files.iter().enumerate() {
            if sample.chooses(entry) {
                chosen.push(number);
            }
        }
        chosen
    }

    #[test]
    fn the_rare_big_and_old_ones_are_met_among_many_that_are_small_and_new() {
        let mut files: Vec<Entry> = (0..10_000).map(|n| file(n, 800, 1)).collect();
        files.push(file(10_000, 5_000_000_000, 1));
        files.push(file(10_001, 800, 2_000));
        files.push(file(10_002, 0, 100));
        let chosen = chosen(&files, 40, "20261125T023000Z-studio-files");
        assert_eq!(chosen.len(), 40);
        assert_eq!(chosen[37..], [10_000, 10_001, 10_002]);
    }

    #[test]
    fn files_of_one_class_are_all_as_likely() {
        let files: Vec<Entry> = (0..10).map(|n| file(n, 800, 1)).collect();
        let mut times = [0_u32; 10];
        for seed in 0..2000 {
            for number in chosen(&files, 3, &seed.to_string()) {
                times[number] += 1;
            }
        }
        // 600 each are expected; the deviation is 20.5 (binomial), and six of them are next to impossible
        assert!(times.iter().all(|n| (477..=723).contains(n)), "{times:?}");
    }

    proptest! {
        #[test]
        fn just_as_many_as_wanted_are_chosen_and_the_same_seed_chooses_the_same(
            sizes in prop::collection::vec((0_u64..10_000_000, 0_i64..3000), 0..200),
            wanted in 1_u64..300,
            seed in "[a-z]{1,8}",
        ) {
            let files: Vec<Entry> = sizes.iter().enumerate().map(|(n, (size, age))| file(n, *size, *age)).collect();
            let first = chosen(&files, wanted, &seed);
            prop_assert_eq!(first.len() as u64, wanted.min(files.len() as u64));
            prop_assert_eq!(chosen(&files, wanted, &seed), first);
        }
    }
}
