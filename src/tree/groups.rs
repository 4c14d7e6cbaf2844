//! Files of the source that have several names.

use std::collections::HashMap;

use super::index::{Marks, Seen};

/// A file: its file system's number, and its inode.
type File = (u16, u64);

/// Which names are of one file, now and in the last copy. Names may be linked to the last copy only where they are
/// of one file here just as there: else equal files that were joined or parted since would stay as they were.
#[derive(Debug, Default)]
pub struct Groups {
    now: HashMap<File, Group>,
    /// By the file of the last index, the one here that has its names.
    before: HashMap<File, File>,
}

#[derive(Debug)]
struct Group {
    before: Option<File>,
    is_as_before: bool,
    /// Those that hold its names, by their blocks.
    folders: Vec<u32>,
}

impl Groups {
    /// Takes a name in, with what the last index has of it. Needed for each name whose file has several here, or
    /// had then.
    pub fn take(&mut self, seen: &Seen, old: Option<&Seen>, folder: u32) {
        let now = file(seen);
        let before = old.filter(|_| seen.marks.has(Marks::SAME)).map(file);
        let group = self.now.entry(now).or_insert(Group {
            before,
            is_as_before: true,
            folders: Vec::new(),
        });
        group.folders.push(folder);
        if before.is_none() || group.before != before {
            group.is_as_before = false;
        }
        let Some(before) = before else {
            return;
        };
        let other = *self.before.entry(before).or_insert(now);
        if other != now {
            for one in [other, now] {
                if let Some(group) = self.now.get_mut(&one) {
                    group.is_as_before = false;
                }
            }
        }
    }

    /// The folders with names of files that are not as before: they have work, though nothing else happened in them.
    pub fn folders_to_visit(&self) -> impl Iterator<Item = u32> + '_ {
        let others = self.now.values().filter(|group| !group.is_as_before);
        others.flat_map(|group| group.folders.iter().copied())
    }

    /// Whether a name that is the same may be linked to the last copy.
    pub fn are_as_before(&self, seen: &Seen) -> bool {
        let group = self.now.get(&file(seen));
        group.is_none_or(|group| group.is_as_before)
    }
}

fn file(seen: &Seen) -> File {
    (seen.file_system, seen.inode)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::prove::manifest::Time;
    use crate::tree::index::SeenKind;

    fn name(inode: u64, marks: Marks) -> Seen {
        Seen {
            name: b"jar".to_vec(),
            kind: SeenKind::File {
                size: 0,
                digest: None,
            },
            mode: 0,
            uid: 0,
            gid: 0,
            modified: Time::default(),
            changed: Time::default(),
            inode,
            file_system: 0,
            marks,
            born: 0,
            blocks: 0,
        }
    }

    /// Names as pairs: the inode now and the one before; 0 before for one that is not the same.
    fn linked(names: &[(u64, u64)]) -> Vec<bool> {
        let mut groups = Groups::default();
        let same = |before| {
            if before == 0 {
                Marks::default()
            } else {
                Marks::SAME
            }
        };
        let seen = |(now, before): &(u64, u64)| name(*now, same(*before));
        for pair in names {
            groups.take(&seen(pair), Some(&name(pair.1, Marks::default())), 0);
        }
        let linked = |pair| groups.are_as_before(&seen(pair));
        names.iter().map(linked).collect()
    }

    #[test]
    fn names_are_linked_while_they_are_of_one_file_as_before() {
        assert_eq!(linked(&[(5, 5), (5, 5), (6, 6)]), [true, true, true]);
        let replaced_by_an_equal_file = [(9, 5), (9, 5)];
        assert_eq!(linked(&replaced_by_an_equal_file), [true, true]);
        let one_more_name = [(5, 5), (5, 5), (5, 0)];
        assert_eq!(linked(&one_more_name), [false, false, false]);
    }

    #[test]
    fn equal_files_that_were_joined_or_parted_are_not_linked() {
        let joined = [(5, 5), (5, 6)];
        assert_eq!(linked(&joined), [false, false]);
        let parted = [(5, 5), (6, 5)];
        assert_eq!(linked(&parted), [false, false]);
        let exchanged = [(5, 5), (6, 5), (6, 6), (7, 7)];
        assert_eq!(linked(&exchanged), [false, false, false, true]);
    }
}
