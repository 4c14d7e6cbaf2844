//! Whether a name is as the last index has it. Pure.

use super::index::{Marks, Seen, SeenKind};

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    New,
    /// Content or attributes differ, or cannot be told.
    Changed,
    /// It looks the same, but the inode, or the time at which anything of it changed last, does not prove it.
    Doubtful,
    Same,
}

/// By looks alone: the last copy holds the same file when nothing at all happened to its inode. A digest must be
/// known for it, since it is not read again.
pub fn verdict(seen: &Seen, old: Option<&Seen>) -> Verdict {
    let Some(old) = old else {
        return Verdict::New;
    };
    if old.marks.has(Marks::GONE) {
        return Verdict::New;
    }
    let is_file = matches!(seen.kind, SeenKind::File { .. });
    let is_known = !is_file || old.digest().is_some();
    if !seen.is_alike(old) || !is_known {
        return Verdict::Changed;
    }
    if seen.is_untouched_since(old) {
        return Verdict::Same;
    }
    Verdict::Doubtful
}

/// What stays known of a file that is the same.
pub fn carry_over(seen: &mut Seen, old: &Seen) {
    seen.marks.put(Marks::SAME);
    seen.born = old.born;
    seen.blocks = old.blocks;
    if let Some(digest) = old.digest() {
        seen.set_digest(digest);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::prove::manifest::{Digest, Time};

    const AT: Time = Time {
        seconds: 1_795_573_800,
        nanos: 5,
    };

    fn bowl() -> Seen {
        Seen {
            name: b"bowl".to_vec(),
            kind: SeenKind::File {
                size: 7,
                digest: Some(Digest([1; 32])),
            },
            mode: 0o644,
            uid: 1000,
            gid: 100,
            modified: AT,
            changed: AT,
            inode: 12,
            file_system: 0,
            marks: Marks::SETTLED,
            born: 3,
            blocks: 8,
        }
    }

    fn judged(change: impl FnOnce(&mut Seen)) -> Verdict {
        let mut seen = bowl();
        change(&mut seen);
        verdict(&seen, Some(&bowl()))
    }

    #[test]
    fn a_file_is_the_same_only_when_its_inode_was_not_touched() {
        assert_eq!(judged(|_| {}), Verdict::Same);
        assert_eq!(verdict(&bowl(), None), Verdict::New);
        assert_eq!(judged(|seen| seen.changed.nanos += 1), Verdict::Doubtful);
        assert_eq!(judged(|seen| seen.inode += 1), Verdict::Doubtful);
        assert_eq!(judged(|seen| seen.file_system += 1), Verdict::Doubtful);
        assert_eq!(judged(|seen| seen.modified.nanos += 1), Verdict::Changed);
        assert_eq!(judged(|seen| seen.mode = 0o600), Verdict::Changed);
        assert_eq!(judged(|seen| seen.uid += 1), Verdict::Changed);
        assert_eq!(judged(|seen| seen.gid += 1), Verdict::Changed);
        let other = SeenKind::File {
            size: 8,
            digest: None,
        };
        assert_eq!(judged(|seen| seen.kind = other), Verdict::Changed);
        assert_eq!(judged(|seen| seen.kind = SeenKind::Fifo), Verdict::Changed);
    }

    #[test]
    fn what_changed_while_it_was_read_is_in_doubt_even_when_it_looks_untouched() {
        let mut old = bowl();
        old.marks = Marks::default();
        assert_eq!(verdict(&bowl(), Some(&old)), Verdict::Doubtful);
        old.kind = SeenKind::File {
            size: 7,
            digest: None,
        };
        assert_eq!(verdict(&bowl(), Some(&old)), Verdict::Changed);
    }
}
