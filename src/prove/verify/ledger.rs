//! Gathers what many readers find, in the order of the manifest: how far all is done, and what was found.

use std::collections::BTreeMap;

use crate::record::{Finding, Found, What};

/// Findings beyond so many of one copy are counted and logged, and not kept.
pub const MOST_FINDINGS: usize = 1000;

/// What was done and found.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Sum {
    pub names: u64,
    pub files: u64,
    pub bytes: u64,
    /// Files that the manifest has no digest of.
    pub without_digest: u64,
    pub found: Found,
    pub findings: Vec<Finding>,
}

impl Sum {
    pub fn find(&mut self, path: &[u8], what: What, words: impl Into<String>) {
        use std::os::unix::ffi::OsStrExt;
        self.found.add(what, 1);
        let path = std::path::PathBuf::from(std::ffi::OsStr::from_bytes(path));
        let words = words.into();
        tracing::info!(
            "{}: {}: {words}",
            what.words(),
            crate::report::safe_name(path.as_os_str().as_bytes())
        );
        if self.findings.len() < MOST_FINDINGS {
            self.findings.push(Finding {
                path,
                what,
                words,
                good: None,
                mended: false,
            });
        }
    }

    pub fn add(&mut self, other: Self) {
        self.names += other.names;
        self.files += other.files;
        self.bytes += other.bytes;
        self.without_digest += other.without_digest;
        self.found.add_all(other.found);
        let room = MOST_FINDINGS.saturating_sub(self.findings.len());
        self.findings.extend(other.findings.into_iter().take(room));
    }
}

/// Batches end in any order; what counts as done is what has no gap before it.
#[derive(Debug, Default)]
pub struct Ledger {
    next: u64,
    done: Sum,
    /// The last name of what is done without a gap.
    path: Option<Vec<u8>>,
    waiting: BTreeMap<u64, (Sum, Vec<u8>)>,
}

impl Ledger {
    /// A batch was done to its end, which is the name `last`.
    pub fn enter(&mut self, number: u64, sum: Sum, last: Vec<u8>) {
        self.waiting.insert(number, (sum, last));
        while let Some((sum, last)) = self.waiting.remove(&self.next) {
            self.done.add(sum);
            if !last.is_empty() {
                self.path = Some(last);
            }
            self.next += 1;
        }
    }

    /// What is done without a gap so far, and its last name.
    pub fn so_far(&self) -> (&Sum, Option<&[u8]>) {
        (&self.done, self.path.as_deref())
    }

    /// All that was done, with gaps; in the order of the manifest.
    pub fn all(self) -> Sum {
        let mut all = self.done;
        for (sum, _) in self.waiting.into_values() {
            all.add(sum);
        }
        all
    }

    /// What was done without a gap, and its last name.
    pub fn without_gap(self) -> (Sum, Option<Vec<u8>>) {
        (self.done, self.path)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sum(bytes: u64) -> Sum {
        Sum {
            bytes,
            ..Sum::default()
        }
    }

    #[test]
    fn what_is_done_behind_a_gap_does_not_count_as_done_until_the_gap_is_closed() {
        let mut ledger = Ledger::default();
        ledger.enter(1, sum(10), b"b".to_vec());
        assert_eq!(ledger.so_far(), (&sum(0), None));
        ledger.enter(0, sum(1), b"a".to_vec());
        assert_eq!(ledger.so_far(), (&sum(11), Some(b"b".as_slice())));
        ledger.enter(3, sum(1000), b"d".to_vec());
        assert_eq!(ledger.so_far().0.bytes, 11);
        assert_eq!(ledger.all().bytes, 1011);
    }

    #[test]
    fn more_findings_than_are_kept_are_still_counted() {
        let mut sum = Sum::default();
        for number in 0..(MOST_FINDINGS + 20) {
            sum.find(number.to_string().as_bytes(), What::Missing, "");
        }
        let mut all = Sum::default();
        all.add(sum.clone());
        all.add(sum);
        assert_eq!(all.findings.len(), MOST_FINDINGS);
        assert_eq!(all.found.missing, 2 * (MOST_FINDINGS as u64 + 20));
    }
}
