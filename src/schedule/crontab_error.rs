//! What is wrong with a crontab line, and where in it.

use std::fmt;
use std::ops::Range;

/// A crontab line that cannot be used.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CrontabError {
    /// Bytes of the offending field or item within the line.
    pub range: Range<usize>,
    /// What is wrong, in lower case.
    pub message: String,
    /// What may stand there instead.
    pub allowed: String,
}

impl fmt::Display for CrontabError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}; allowed is {}", self.message, self.allowed)
    }
}

impl std::error::Error for CrontabError {}
