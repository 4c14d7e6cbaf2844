//! Two entries of the same name, value by value.

use super::attribute::{AttributeNames, AttributeValue};
use super::record::Entry;

/// What only one of them has, in the order of names and values.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Difference {
    pub only_old: Vec<AttributeValue>,
    pub only_new: Vec<AttributeValue>,
}

impl Difference {
    pub fn is_empty(&self) -> bool {
        self.only_old.is_empty() && self.only_new.is_empty()
    }
}

/// The order of values and the spelling of names are no difference; values are compared byte by byte, as only
/// the directory's schema knows which others are alike.
pub fn difference(old: &Entry, new: &Entry, aside: &AttributeNames) -> Difference {
    let (old, new) = (sorted(old, aside), sorted(new, aside));
    Difference {
        only_old: missing_in(&old, &new),
        only_new: missing_in(&new, &old),
    }
}

/// The values as a set, in the order of names and values.
pub fn sorted<'e>(entry: &'e Entry, aside: &AttributeNames) -> Vec<&'e AttributeValue> {
    let mut values: Vec<_> = entry
        .values
        .iter()
        .filter(|one| !aside.holds(&one.name))
        .collect();
    values.sort_unstable();
    values.dedup();
    values
}

/// Both sorted.
fn missing_in(these: &[&AttributeValue], those: &[&AttributeValue]) -> Vec<AttributeValue> {
    let missing = these.iter().filter(|one| those.binary_search(one).is_err());
    missing.map(|one| (*one).clone()).collect()
}
