//! The last line of a manifest of ours, by which a torn or damaged one is known.

use sha2::{Digest as _, Sha256};

use super::decimal;
use super::entry::Digest;

const BEGINS: &[u8] = b"# end: ";
const MIDDLE: &[u8] = b" entries, sha256 of the lines above ";

/// A last line that was cut short or changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct MalformedEnding;

/// What the last line tells: `# end: 12 entries, sha256 of the lines above ba78…`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ending {
    pub entries: u64,
    /// Of every byte before the line.
    pub digest: Digest,
}

impl Ending {
    pub fn of(entries: u64, above: &Sha256) -> Self {
        let digest = Digest(above.clone().finalize().into());
        Self { entries, digest }
    }

    pub fn render(&self) -> Vec<u8> {
        let mut line = BEGINS.to_vec();
        decimal::push(self.entries, 1, &mut line);
        line.extend(MIDDLE);
        line.extend(format!("{}\n", self.digest).bytes());
        line
    }

    /// `None` for a line that does not begin as an ending does. An ending counts only with its newline: without
    /// it, it may go on.
    ///
    /// # Errors
    /// [`MalformedEnding`].
    pub fn parse(line: &[u8]) -> Result<Option<Self>, MalformedEnding> {
        let Some(rest) = line.strip_prefix(BEGINS) else {
            return Ok(None);
        };
        Self::parse_rest(rest).map(Some).ok_or(MalformedEnding)
    }

    fn parse_rest(rest: &[u8]) -> Option<Self> {
        let digits = rest.iter().take_while(|byte| byte.is_ascii_digit()).count();
        let (count, rest) = rest.split_at(digits);
        let hex = rest.strip_prefix(MIDDLE)?.strip_suffix(b"\n")?;
        Some(Self {
            entries: decimal::parse(count, 10)?,
            digest: Digest::from_hex(hex).ok()?,
        })
    }
}
