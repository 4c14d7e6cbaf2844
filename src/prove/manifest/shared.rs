//! What many entries in a row have in common, told once by `/set`.
//!
//! Both programs hold a `/set` for all lines after it, not for one folder. Two files in a row with the same
//! mode and owner that are not the ones set become the new ones: in a tree of a million files of one owner
//! that saves a third of every line, and it can be decided without knowing what comes.

use super::decimal;
use super::entry::Entry;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Shared {
    pub mode: u32,
    pub uid: u32,
    pub gid: u32,
}

impl Shared {
    pub fn of(entry: &Entry) -> Self {
        Self {
            mode: entry.mode,
            uid: entry.uid,
            gid: entry.gid,
        }
    }

    pub fn push_set(self, out: &mut Vec<u8>) {
        out.extend(b"/set type=file");
        self.push_unlike(None, out);
        out.push(b'\n');
    }

    /// Appends the keywords that `set` does not tell already.
    pub fn push_unlike(self, set: Option<Self>, out: &mut Vec<u8>) {
        if set.is_none_or(|set| set.mode != self.mode) {
            out.extend(b" mode=");
            decimal::push_octal(self.mode, out);
        }
        if set.is_none_or(|set| set.uid != self.uid) {
            out.extend(b" uid=");
            decimal::push(self.uid.into(), 1, out);
        }
        if set.is_none_or(|set| set.gid != self.gid) {
            out.extend(b" gid=");
            decimal::push(self.gid.into(), 1, out);
        }
    }
}
