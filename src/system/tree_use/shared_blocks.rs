//! Blocks that several files hold, as reflinks and snapshots make them: who holds each of them.

use std::collections::BTreeSet;

use super::tally::{FileId, Owners, SetId};
use crate::tools::filefrag::{SharedExtent, Storage};

#[derive(Default)]
pub(super) struct SharedBlocks {
    /// Begin, end and holder of each run of blocks.
    plain: Vec<(u64, u64, FileId)>,
    /// What is compressed overlaps by its length, but not on the disk: its beginning tells it apart.
    encoded: Vec<(u64, u64, FileId)>,
}

impl SharedBlocks {
    pub fn add(&mut self, file: FileId, extent: SharedExtent) {
        let SharedExtent { start, length, .. } = extent;
        match extent.storage {
            Storage::Plain => self.plain.push((start, start + length, file)),
            Storage::Encoded => self.encoded.push((start, length, file)),
        }
    }

    /// The bytes that each set of owners holds; a set may come up more than once.
    pub fn by_owners(
        mut self,
        owners_of: impl Fn(FileId) -> SetId,
        owners: &mut Owners,
    ) -> Vec<(SetId, u64)> {
        let mut found = Vec::new();
        self.encoded.sort_unstable();
        for group in self.encoded.chunk_by(|one, next| one.0 == next.0) {
            let longest = group.iter().map(|(_, length, _)| *length).max();
            let sets = group.iter().map(|(_, _, file)| owners_of(*file));
            if let Some(set) = sets.reduce(|one, other| owners.join(one, other)) {
                found.push((set, longest.unwrap_or(0)));
            }
        }
        self.plain.sort_unstable();
        sweep(&self.plain, owners_of, owners, &mut found);
        found
    }
}

/// Goes through the runs by where they begin. `open` are the ends and owners of
/// those that reach beyond `at`.
fn sweep(
    runs: &[(u64, u64, FileId)],
    owners_of: impl Fn(FileId) -> SetId,
    owners: &mut Owners,
    found: &mut Vec<(SetId, u64)>,
) {
    let mut open: BTreeSet<(u64, SetId)> = BTreeSet::new();
    let mut at = 0;
    let mut close_until = |open: &mut BTreeSet<(u64, SetId)>, at: &mut u64, until: u64| {
        while *at < until {
            let Some(first_end) = open.first().map(|(end, _)| *end) else {
                break;
            };
            let upto = first_end.min(until);
            let sets: Vec<SetId> = open.iter().map(|(_, set)| *set).collect();
            let set = sets
                .into_iter()
                .reduce(|one, other| owners.join(one, other));
            found.extend(set.map(|set| (set, upto - *at)));
            *at = upto;
            open.retain(|(end, _)| *end > *at);
        }
    };
    for (begin, end, file) in runs {
        close_until(&mut open, &mut at, *begin);
        at = *begin;
        open.insert((*end, owners_of(*file)));
    }
    close_until(&mut open, &mut at, u64::MAX);
}
