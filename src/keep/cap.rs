//! `cap`: when what retention keeps takes more space than the job may, the oldest go first.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;

use super::SpaceMap;
use crate::jobs::Size;
use crate::record::{Decision, GenerationName};

/// Turn kept generations into retired ones, oldest first, until the rest fits within `cap`.
///
/// Never retires the newest, nor the newest that is not from the future of `now`: a generation named by a
/// wrong clock must not outlive the real ones. A generation in `space` that has no decision is
/// counted and left alone. When even what must stay is over the cap, the newest's `why` says so.
pub fn enforce_cap(
    mut decisions: Vec<Decision>,
    space: &SpaceMap,
    cap: Size,
    now: Timestamp,
) -> Vec<Decision> {
    decisions.sort_by_key(|decision| std::cmp::Reverse(decision.generation));
    let order = oldest_first(&decisions, now);
    let mut freed = Freed::count(&decisions, space, &order);
    let mut retired = BTreeMap::new();
    for (rank, generation) in order.iter().enumerate() {
        if freed.in_use <= cap.bytes() {
            break;
        }
        let why = format!(
            "over the cap of {cap}: oldest first (would take {})",
            Size(freed.in_use)
        );
        retired.insert(*generation, why);
        freed.in_use -= freed.by_rank[rank];
    }
    for decision in &mut decisions {
        if let Some(why) = retired.remove(&decision.generation) {
            decision.kept = false;
            decision.why = why;
        }
    }
    if freed.in_use > cap.bytes() {
        let newest = decisions.iter_mut().find(|decision| decision.kept);
        if let Some(newest) = newest {
            let left = Size(freed.in_use);
            newest.why = format!(
                "{}; what must stay takes {left}, over the cap of {cap}",
                newest.why
            );
        }
    }
    decisions
}

/// The kept generations that the cap may retire.
fn oldest_first(decisions: &[Decision], now: Timestamp) -> Vec<GenerationName> {
    let kept: BTreeSet<GenerationName> = decisions
        .iter()
        .filter(|decision| decision.kept)
        .map(|decision| decision.generation)
        .collect();
    let newest = kept.last().copied();
    let newest_past = kept.range(..=GenerationName::at(now)).next_back().copied();
    kept.into_iter()
        .filter(|name| Some(*name) != newest && Some(*name) != newest_past)
        .collect()
}

/// What is in use before anything is retired, and what each removal gives back when done in order.
struct Freed {
    in_use: u64,
    by_rank: Vec<u64>,
}

impl Freed {
    /// A class is given back with the last of its owners; not at all when one of them stays.
    fn count(decisions: &[Decision], space: &SpaceMap, order: &[GenerationName]) -> Self {
        let ranks: BTreeMap<GenerationName, usize> = order
            .iter()
            .enumerate()
            .map(|(rank, name)| (*name, rank))
            .collect();
        let gone: BTreeSet<GenerationName> = decisions
            .iter()
            .filter(|decision| !decision.kept)
            .map(|decision| decision.generation)
            .collect();
        let mut freed = Self {
            in_use: space.base().bytes(),
            by_rank: vec![0; order.len()],
        };
        for (owners, bytes) in space.classes() {
            let mut remaining = owners.difference(&gone).peekable();
            if remaining.peek().is_none() {
                continue;
            }
            freed.in_use += bytes;
            let last: Option<Vec<usize>> = remaining.map(|name| ranks.get(name).copied()).collect();
            if let Some(rank) = last.and_then(|ranks| ranks.into_iter().max()) {
                freed.by_rank[rank] += bytes;
            }
        }
        freed
    }
}

#[cfg(test)]
#[path = "cap_tests.rs"]
mod tests;
