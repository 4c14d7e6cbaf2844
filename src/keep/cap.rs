//! `cap`: when what retention keeps takes more space than the job may, the least valuable go first.

use std::collections::{BTreeMap, BTreeSet};

use jiff::{SignedDuration, Timestamp};

use super::SpaceMap;
use super::value::{Place, value};
use crate::jobs::Size;
use crate::record::{Decision, GenerationName};

/// One that may go, at its turn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Going {
    pub generation: GenerationName,
    /// Its neighbours at its turn.
    pub place: Place,
    /// Bytes that its removal gives back, once those before it are gone.
    pub gives_back: Size,
    /// Bytes that the job takes before its removal.
    pub in_use: Size,
}

/// Turn kept generations into retired ones, the least valuable first, until the rest fits within `cap`.
///
/// The order is that of [`order_of_going`]. When even what must stay is over the cap, the newest's `why` says so.
pub fn enforce_cap(
    mut decisions: Vec<Decision>,
    space: &SpaceMap,
    cap: Size,
    now: Timestamp,
) -> Vec<Decision> {
    decisions.sort_by_key(|decision| std::cmp::Reverse(decision.generation));
    let mut stock = Stock::of(&decisions, space, now);
    let mut retired = BTreeMap::new();
    while stock.in_use > cap.bytes()
        && let Some(going) = stock.take_least(now)
    {
        retired.insert(going.generation, going.words(cap));
    }
    for decision in &mut decisions {
        if let Some(why) = retired.remove(&decision.generation) {
            decision.kept = false;
            decision.why = why;
        }
    }
    if stock.in_use > cap.bytes() {
        let newest = decisions.iter_mut().find(|decision| decision.kept);
        if let Some(newest) = newest {
            let left = Size(stock.in_use);
            newest.why = format!(
                "{}; what must stay takes {left}, over the cap of {cap}",
                newest.why
            );
        }
    }
    decisions
}

/// The kept generations that the cap may retire, in the order that it would: at each turn the one of the least
/// [`value`] among those left, and of equals the oldest. The order does not depend on the cap, so that a larger
/// cap keeps all that a smaller one keeps.
///
/// Never names the newest, nor the newest that is not from the future of `now`: a generation named by a
/// wrong clock must not outlive the real ones. A generation in `space` that has no decision is
/// counted and left alone.
pub fn order_of_going(decisions: &[Decision], space: &SpaceMap, now: Timestamp) -> Vec<Going> {
    let mut stock = Stock::of(decisions, space, now);
    std::iter::from_fn(|| stock.take_least(now)).collect()
}

impl Going {
    fn words(&self, cap: Size) -> String {
        let beside = match self.place.older {
            Some(older) => {
                let gap = self.place.newer.duration_since(older);
                format!("leaves a gap of {}", in_words(gap))
            }
            None => "it is the oldest".to_owned(),
        };
        format!(
            "over the cap of {cap} (would take {}): missed least for the {} it gives back; {beside}",
            self.in_use, self.gives_back
        )
    }
}

fn in_words(gap: SignedDuration) -> String {
    match gap.as_hours() {
        0..=1 => format!("{} minutes", gap.as_mins()),
        hours @ 2..=47 => format!("{hours} hours"),
        hours => format!("{} days", (hours + 12) / 24),
    }
}

/// What is left, turn by turn.
struct Stock {
    in_use: u64,
    left: BTreeSet<GenerationName>,
    /// Those of `left` that may go.
    may_go: BTreeSet<GenerationName>,
    /// The owners left of each class, and its bytes. Owners without a decision never leave.
    classes: Vec<(BTreeSet<GenerationName>, u64)>,
    classes_of: BTreeMap<GenerationName, Vec<usize>>,
    alone: BTreeMap<GenerationName, u64>,
}

impl Stock {
    fn of(decisions: &[Decision], space: &SpaceMap, now: Timestamp) -> Self {
        let (mut left, mut gone) = (BTreeSet::new(), BTreeSet::new());
        for decision in decisions {
            let side = if decision.kept { &mut left } else { &mut gone };
            side.insert(decision.generation);
        }
        let newest = left.last().copied();
        let newest_past = left.range(..=GenerationName::at(now)).next_back().copied();
        let may_go = left.iter().copied();
        let may_go = may_go.filter(|name| Some(*name) != newest && Some(*name) != newest_past);
        let mut stock = Self {
            in_use: space.base().bytes(),
            may_go: may_go.collect(),
            left,
            classes: Vec::new(),
            classes_of: BTreeMap::new(),
            alone: BTreeMap::new(),
        };
        for (owners, bytes) in space.classes() {
            let owners: BTreeSet<_> = owners.difference(&gone).copied().collect();
            if !owners.is_empty() {
                stock.put(owners, bytes);
            }
        }
        stock
    }

    fn put(&mut self, owners: BTreeSet<GenerationName>, bytes: u64) {
        self.in_use += bytes;
        for owner in &owners {
            let of_owner = self.classes_of.entry(*owner).or_default();
            of_owner.push(self.classes.len());
        }
        if owners.len() == 1 {
            let owner = owners.iter().next().copied();
            self.alone_more(owner, bytes);
        }
        self.classes.push((owners, bytes));
    }

    fn alone_more(&mut self, owner: Option<GenerationName>, bytes: u64) {
        if let Some(owner) = owner {
            *self.alone.entry(owner).or_default() += bytes;
        }
    }

    fn alone(&self, name: GenerationName) -> u64 {
        self.alone.get(&name).copied().unwrap_or(0)
    }

    /// Takes out the least valuable.
    fn take_least(&mut self, now: Timestamp) -> Option<Going> {
        let usual = self.usual();
        let worth = |name: &GenerationName| {
            let missed = self.place(*name).missed(now);
            (value(missed, self.alone(*name), usual), missed)
        };
        let least = self.may_go.iter().copied().min_by(|one, other| {
            let ((one, one_missed), (other, other_missed)) = (worth(one), worth(other));
            // where nothing gives anything back, what is missed least still makes way
            one.total_cmp(&other)
                .then(one_missed.total_cmp(&other_missed))
        })?;
        let going = Going {
            generation: least,
            place: self.place(least),
            gives_back: Size(self.alone(least)),
            in_use: Size(self.in_use),
        };
        self.take(least);
        Some(going)
    }

    /// The median of what those that may go take alone, of those that take anything.
    fn usual(&self) -> u64 {
        let alone = self.may_go.iter().map(|name| self.alone(*name));
        let mut alone: Vec<u64> = alone.filter(|bytes| *bytes > 0).collect();
        alone.sort_unstable();
        alone.get(alone.len() / 2).copied().unwrap_or(1)
    }

    fn place(&self, name: GenerationName) -> Place {
        let older = self.left.range(..name).next_back();
        let behind = (std::ops::Bound::Excluded(name), std::ops::Bound::Unbounded);
        let newer = self.left.range(behind).next();
        Place {
            newer: newer.unwrap_or(&name).instant(),
            own: name.instant(),
            older: older.map(|older| older.instant()),
        }
    }

    fn take(&mut self, name: GenerationName) {
        self.left.remove(&name);
        self.may_go.remove(&name);
        self.in_use -= self.alone.remove(&name).unwrap_or(0);
        for class in self.classes_of.remove(&name).unwrap_or_default() {
            let (owners, bytes) = &mut self.classes[class];
            owners.remove(&name);
            if owners.len() == 1 {
                let (owner, bytes) = (owners.iter().next().copied(), *bytes);
                self.alone_more(owner, bytes);
            }
        }
    }
}

#[cfg(test)]
#[path = "cap_tests.rs"]
mod tests;
