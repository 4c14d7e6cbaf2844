//! Files of the source that have several names.

use std::collections::HashMap;

use super::index::{Marks, Seen};

/// Whether each inode with several names is, with all of them, as it was. One of whose names is not is
/// copied anew with all its names: else some would stay joined to what others no longer are.
#[derive(Debug, Default)]
pub struct Groups(HashMap<(u16, u64), bool>);

impl Groups {
    pub fn take(&mut self, seen: &Seen) {
        let is_same = seen.marks.has(Marks::SAME);
        let all_same = self.0.entry(key(seen)).or_insert(true);
        *all_same &= is_same;
    }

    /// Whether a name may be linked to the last copy.
    pub fn is_whole(&self, seen: &Seen) -> bool {
        !seen.marks.has(Marks::SEVERAL) || self.0.get(&key(seen)).is_none_or(|all_same| *all_same)
    }
}

fn key(seen: &Seen) -> (u16, u64) {
    (seen.file_system, seen.inode)
}
