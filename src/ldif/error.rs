//! What can be wrong with LDIF. Values are never shown: they may be passwords.

use std::fmt;
use std::io;

use super::dn_text::DnError;

/// Where LDIF could not be read on, and why. Its file is known to the caller.
#[derive(Debug)]
pub struct LdifError {
    /// Counted from 1; where the folded line begins that was read last.
    pub line: u64,
    pub trouble: LdifTrouble,
}

#[derive(Debug)]
pub enum LdifTrouble {
    Input(io::Error),
    /// The last line has no newline at its end.
    CutOff,
    /// A record takes more memory than the reader was told to give it.
    TooLarge {
        most: usize,
    },
    Expected {
        expected: &'static str,
        found: String,
    },
    Version {
        found: String,
    },
    /// A value that lies elsewhere; it is never opened, whatever it names.
    Url {
        name: String,
    },
    Base64 {
        name: String,
        why: String,
    },
    /// A value with bytes that must not stand unencoded.
    Unencoded {
        name: String,
        what: &'static str,
    },
    Dn(DnError),
    /// A second record of the same entry.
    Twice {
        dn: String,
    },
}

impl fmt::Display for LdifError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line {}: {}", self.line, self.trouble)
    }
}

impl fmt::Display for LdifTrouble {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Input(error) => error.fmt(f),
            Self::CutOff => {
                f.write_str("cut off: the last line does not end in a newline; write the file anew")
            }
            Self::TooLarge { most } => write!(
                f,
                "the record takes more than {most} bytes of memory; let it take more, or see what is wrong with it"
            ),
            Self::Expected { expected, found } => write!(f, "expected {expected}, found {found}"),
            Self::Version { found } => write!(
                f,
                "`version: {found}` is a newer or unknown version of LDIF; expected `version: 1`"
            ),
            Self::Url { name } => write!(
                f,
                "the value of `{name}` is only pointed to, by a URL, and URLs are never opened; expected \
                 `{name}: ` or `{name}:: ` with the value itself"
            ),
            Self::Base64 { name, why } => write!(
                f,
                "the value of `{name}` is damaged: expected base64 with its padding and nothing else, {why}"
            ),
            Self::Unencoded { name, what } => write!(
                f,
                "the value of `{name}` holds {what}; expected it in base64, as `{name}:: `"
            ),
            Self::Dn(error) => error.fmt(f),
            Self::Twice { dn } => write!(
                f,
                "a second record of `{dn}`; expected each entry once, write the file anew"
            ),
        }
    }
}

impl std::error::Error for LdifError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match &self.trouble {
            LdifTrouble::Input(error) => Some(error),
            LdifTrouble::Dn(error) => Some(error),
            _ => None,
        }
    }
}

impl LdifTrouble {
    /// `found` in words, or [`quoted`].
    pub(super) fn expected(expected: &'static str, found: impl Into<String>) -> Self {
        let found = found.into();
        Self::Expected { expected, found }
    }
}

/// As much of a name as helps to find it.
pub(super) fn shown(found: &[u8]) -> String {
    const MOST: usize = 60;
    let part = &found[..found.len().min(MOST)];
    let more = if found.len() > MOST { "…" } else { "" };
    format!("{}{more}", part.escape_ascii())
}

/// The same within backticks.
pub(super) fn quoted(found: &[u8]) -> String {
    format!("`{}`", shown(found))
}
