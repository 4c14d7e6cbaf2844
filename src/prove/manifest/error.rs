//! What can be wrong with a manifest.

use std::fmt;
use std::io;

use super::entry::Digest;

/// Where a manifest could not be read on, and why. Its file is known to the caller.
#[derive(Debug)]
pub struct ManifestError {
    /// Counted from 1; the last one read.
    pub line: u64,
    pub trouble: ManifestTrouble,
}

#[derive(Debug)]
pub enum ManifestTrouble {
    Input(io::Error),
    Expected {
        expected: &'static str,
        found: String,
    },
    /// An entry lacks a keyword that hayloft needs, on its line and in the `/set` before it.
    Missing {
        keyword: &'static str,
        name: String,
    },
    /// It does not begin as manifests of hayloft do.
    Foreign,
    NoEntry,
    /// It begins as manifests of hayloft do, and does not end so.
    CutShort,
    /// It holds another number of entries than its last line tells.
    Count {
        told: u64,
        found: u64,
    },
    /// Its lines are not the ones that were written.
    Damaged {
        told: Digest,
        found: Digest,
    },
}

impl fmt::Display for ManifestError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}: {}", self.line, self.trouble)
    }
}

impl fmt::Display for ManifestTrouble {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Input(error) => error.fmt(f),
            Self::Expected { expected, found } => write!(f, "expected {expected}, found `{found}`"),
            Self::Missing { keyword, name } => write!(f, "`{name}` has no `{keyword}=`"),
            Self::Foreign => f.write_str("this is no manifest that hayloft wrote"),
            Self::NoEntry => f.write_str("the manifest tells of no file or folder at all"),
            Self::CutShort => {
                f.write_str("the manifest is cut short: its last line, `# end: …`, is missing")
            }
            Self::Count { told, found } => {
                write!(f, "the manifest should have {told} entries and has {found}")
            }
            Self::Damaged { told, found } => write!(
                f,
                "the manifest is damaged: the SHA-256 of its lines should be {told} and is {found}"
            ),
        }
    }
}

impl std::error::Error for ManifestError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match &self.trouble {
            ManifestTrouble::Input(error) => Some(error),
            _ => None,
        }
    }
}

impl ManifestTrouble {
    pub(super) fn expected(expected: &'static str, found: &[u8]) -> Self {
        let found = shown(found);
        Self::Expected { expected, found }
    }

    pub(super) fn missing(keyword: &'static str, name: &[u8]) -> Self {
        let name = shown(name);
        Self::Missing { keyword, name }
    }
}

/// As much of a line as helps to find it.
fn shown(found: &[u8]) -> String {
    const MOST: usize = 80;
    let part = &found[..found.len().min(MOST)];
    let more = if found.len() > MOST { "…" } else { "" };
    format!("{}{more}", part.escape_ascii())
}
