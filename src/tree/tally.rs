//! Counts what a survey finds.

use std::collections::BTreeMap;
use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};

use jiff::Timestamp;

use super::compare::Verdict;
use super::index::Seen;
use super::{Trouble, lock};
use crate::record::Changes;
use crate::tools::rsync_output::{Item, What};

/// How many names are kept to be shown.
const SHOWN: usize = 12;
/// How many troubles are kept to be told.
const TROUBLES: usize = 20;

#[derive(Debug, Default)]
pub struct Tally {
    counted: Mutex<Counted>,
    vanished_meanwhile: AtomicU64,
    read_again: AtomicU64,
    read_again_bytes: AtomicU64,
}

#[derive(Debug, Default)]
struct Counted {
    changes: Changes,
    first: BTreeMap<Vec<u8>, Item>,
    troubles: Vec<Trouble>,
    more_troubles: u64,
}

#[derive(Debug)]
pub struct Counts {
    pub changes: Changes,
    pub first: Vec<Item>,
    /// Gone between being listed and being looked at.
    pub vanished: u64,
    pub read_again: ReadAgain,
    pub troubles: Vec<Trouble>,
    /// Beyond those.
    pub more_troubles: u64,
}

/// Files that look as they were, and were read to be sure.
#[derive(Debug, Clone, Copy)]
pub struct ReadAgain {
    pub files: u64,
    pub bytes: u64,
}

impl Tally {
    /// For the names of one folder: counted apart, and added when it is dropped.
    pub fn part<'a>(&'a self, folder: &'a [u8]) -> Part<'a> {
        Part {
            tally: self,
            folder,
            changes: Changes::default(),
            first: BTreeMap::new(),
        }
    }

    /// Something was gone between being listed and being looked at.
    pub fn vanished(&self) {
        self.vanished_meanwhile.fetch_add(1, Ordering::Relaxed);
    }

    /// A file was read although it looks the same.
    pub fn read_again(&self, bytes: u64) {
        self.read_again.fetch_add(1, Ordering::Relaxed);
        self.read_again_bytes.fetch_add(bytes, Ordering::Relaxed);
    }

    pub fn trouble(&self, trouble: Trouble) {
        let mut counted = lock(&self.counted);
        if counted.troubles.len() < TROUBLES {
            counted.troubles.push(trouble);
        } else {
            counted.more_troubles += 1;
        }
    }

    pub fn finish(self) -> Counts {
        let counted = self.counted.into_inner().unwrap_or_default();
        Counts {
            changes: counted.changes,
            first: counted.first.into_values().collect(),
            vanished: self.vanished_meanwhile.into_inner(),
            read_again: ReadAgain {
                files: self.read_again.into_inner(),
                bytes: self.read_again_bytes.into_inner(),
            },
            troubles: counted.troubles,
            more_troubles: counted.more_troubles,
        }
    }
}

pub struct Part<'a> {
    tally: &'a Tally,
    folder: &'a [u8],
    changes: Changes,
    first: BTreeMap<Vec<u8>, Item>,
}

impl Part<'_> {
    /// A name that is no folder.
    pub fn take(&mut self, seen: &Seen, verdict: Verdict) {
        self.changes.files += 1;
        self.changes.bytes += seen.size();
        let what = match verdict {
            Verdict::Same => return,
            Verdict::New => {
                self.changes.created += 1;
                What::Created
            }
            Verdict::Changed | Verdict::Doubtful => {
                self.changes.changed += 1;
                What::Changed
            }
        };
        self.changes.new_bytes += seen.size();
        self.show(seen, what);
    }

    /// A name that was there, with how many files below it.
    pub fn vanished(&mut self, old: &Seen, below: u64) {
        self.changes.vanished += if old.is_folder() { below } else { 1 };
        self.show(old, What::Deleted);
    }

    fn show(&mut self, seen: &Seen, what: What) {
        let is_late = |last: &Vec<u8>| last[..] <= seen.name[..];
        if self.first.len() == SHOWN
            && self
                .first
                .last_key_value()
                .is_some_and(|(last, _)| is_late(last))
        {
            return;
        }
        let is_deleted = what == What::Deleted;
        let path = [self.folder, b"/", &seen.name].concat();
        let modified = i32::try_from(seen.modified.nanos)
            .ok()
            .and_then(|nanos| Timestamp::new(seen.modified.seconds, nanos).ok());
        let item = Item {
            what,
            folder: seen.is_folder(),
            length: if is_deleted { 0 } else { seen.size() },
            modified: modified.filter(|_| !is_deleted),
            name: escaped(&path),
        };
        self.first.insert(seen.name.clone(), item);
        if self.first.len() > SHOWN {
            self.first.pop_last();
        }
    }
}

impl Drop for Part<'_> {
    fn drop(&mut self) {
        let mut counted = lock(&self.tally.counted);
        let (all, own) = (&mut counted.changes, &self.changes);
        all.files += own.files;
        all.bytes += own.bytes;
        all.created += own.created;
        all.changed += own.changed;
        all.vanished += own.vanished;
        all.new_bytes += own.new_bytes;
        for (name, item) in std::mem::take(&mut self.first) {
            counted
                .first
                .insert([self.folder, b"/", &name].concat(), item);
        }
        while counted.first.len() > SHOWN {
            counted.first.pop_last();
        }
    }
}

/// As rsync prints a name: what is no text, or would not stay on its line, as `\#012`.
fn escaped(path: &[u8]) -> String {
    use std::fmt::Write as _;
    let mut text = String::with_capacity(path.len());
    for chunk in path.utf8_chunks() {
        for c in chunk.valid().chars() {
            if c.is_control() {
                let mut bytes = [0; 4];
                for byte in c.encode_utf8(&mut bytes).bytes() {
                    let _ = write!(text, "\\#{byte:03o}");
                }
            } else {
                text.push(c);
            }
        }
        for byte in chunk.invalid() {
            let _ = write!(text, "\\#{byte:03o}");
        }
    }
    text
}
