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
/// Files are read again every night, when they changed just before the last one: only many are worth a word.
const NOTED_FILES: u64 = 1000;
const NOTED_BYTES: u64 = 1 << 30;
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
    pub notes: Vec<String>,
    pub troubles: Vec<Trouble>,
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
        let mut notes = Vec::new();
        if self.vanished_meanwhile.into_inner() > 0 {
            notes.push("some files vanished before they could be read".to_owned());
        }
        let again = self.read_again.into_inner();
        let again_bytes = self.read_again_bytes.into_inner();
        if again > NOTED_FILES || again_bytes > NOTED_BYTES {
            let bytes = crate::jobs::Size(again_bytes);
            notes.push(format!(
                "{} read once more to be sure ({bytes}): size and time were as before, but the inode or its change time was not",
                crate::report::counted(again, "file was", "files were")
            ));
        }
        if counted.more_troubles > 0 {
            notes.push(format!(
                "{} more names could not be read",
                counted.more_troubles
            ));
        }
        Counts {
            changes: counted.changes,
            first: counted.first.into_values().collect(),
            notes,
            troubles: counted.troubles,
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
            Verdict::Renewed => {
                self.changes.new_bytes += seen.size();
                return;
            }
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
