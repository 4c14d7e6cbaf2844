//! The lines of a manifest, within bounds, and the digest of all of them.

use std::io::{BufRead, Read as _};

use sha2::{Digest as _, Sha256};

use super::ending::{Ending, MalformedEnding};
use super::error::{ManifestError, ManifestTrouble};
use super::heading::{MARK, SIGNATURE};

/// The longest line, with those that continue it; libarchive 3.6.2 has the same limit (from memory).
pub const MOST_BYTES: usize = 1 << 20;

#[derive(Debug)]
pub struct Lines<R> {
    input: R,
    /// Of the line read last, from 1.
    number: u64,
    /// One logical line, without its newline.
    line: Vec<u8>,
    /// Whether the first two lines, as far as they were read, are those of a manifest of hayloft.
    ours: bool,
    /// Of all lines so far of a manifest of ours.
    digest: Sha256,
}

/// What a manifest has next.
#[derive(Debug, Clone, Copy)]
pub enum Next {
    /// A line other than a comment or an empty one: see [`Lines::line`].
    Line,
    /// Nothing more; with the last line that ours have.
    End(Option<Ending>),
}

impl<R: BufRead> Lines<R> {
    pub fn new(input: R) -> Self {
        Self {
            input,
            number: 0,
            line: Vec::new(),
            ours: true,
            digest: Sha256::new(),
        }
    }

    pub fn line(&self) -> &[u8] {
        &self.line
    }

    pub fn is_ours(&self) -> bool {
        self.ours && self.number >= 2
    }

    pub fn next(&mut self) -> Result<Next, ManifestError> {
        loop {
            self.line.clear();
            if !self.read_one()? {
                return self.end();
            }
            if self.is_ours() {
                match Ending::parse(&self.line) {
                    Ok(None) => {}
                    Ok(Some(ending)) => return self.last_line(ending),
                    Err(MalformedEnding) => return Err(self.error(ManifestTrouble::CutShort)),
                }
            }
            self.digest_line();
            while self.is_continued() {
                self.line.truncate(self.line.len() - 2);
                let before = self.line.len();
                if !self.read_one()? {
                    return Err(self.expected("a line after one that ends in a backslash"));
                }
                self.digest_from(before);
            }
            if self.line.pop() != Some(b'\n') {
                return Err(self.expected("a newline at the end of the last line"));
            }
            let first = self.line.iter().find(|byte| !is_blank(**byte));
            if !matches!(first, None | Some(b'#')) {
                return Ok(Next::Line);
            }
        }
    }

    pub fn error(&self, trouble: ManifestTrouble) -> ManifestError {
        ManifestError {
            line: self.number,
            trouble,
        }
    }

    fn expected(&self, words: &'static str) -> ManifestError {
        self.error(ManifestTrouble::expected(words, &self.line))
    }

    fn end(&self) -> Result<Next, ManifestError> {
        if self.is_ours() {
            Err(self.error(ManifestTrouble::CutShort))
        } else {
            Ok(Next::End(None))
        }
    }

    /// Holds the lines against what the last one tells of them, and sees that it is the last.
    fn last_line(&mut self, told: Ending) -> Result<Next, ManifestError> {
        let found = Ending::of(told.entries, &self.digest);
        if found != told {
            return Err(self.error(ManifestTrouble::Damaged {
                told: told.digest,
                found: found.digest,
            }));
        }
        self.line.clear();
        if self.read_one()? {
            return Err(self.expected("nothing after the line `# end: …`"));
        }
        Ok(Next::End(Some(told)))
    }

    /// Appends a line with its newline, if it has one. `false` at the end of the input.
    fn read_one(&mut self) -> Result<bool, ManifestError> {
        let most = u64::try_from(MOST_BYTES + 1 - self.line.len()).unwrap_or(u64::MAX);
        let got = (&mut self.input)
            .take(most)
            .read_until(b'\n', &mut self.line);
        if !matches!(got, Ok(0)) {
            self.number += 1;
        }
        let got = got.map_err(|error| self.error(ManifestTrouble::Input(error)))?;
        if self.line.len() > MOST_BYTES {
            return Err(self.expected("a line of at most 1 MiB"));
        }
        Ok(got > 0)
    }

    fn digest_line(&mut self) {
        match self.number {
            1 => self.ours = self.line == SIGNATURE,
            2 => self.ours &= self.line == MARK,
            _ => {}
        }
        self.digest_from(0);
    }

    fn digest_from(&mut self, start: usize) {
        if self.ours {
            self.digest.update(&self.line[start..]);
        }
    }

    /// An odd number of backslashes before the newline: the last one is not itself escaped. Comments go on too
    /// in `mtree`, not in libarchive; neither writes any such.
    fn is_continued(&self) -> bool {
        let Some(text) = self.line.strip_suffix(b"\n") else {
            return false;
        };
        let slashes = text.iter().rev().take_while(|&&byte| byte == b'\\').count();
        let first = text.iter().find(|byte| !is_blank(**byte));
        slashes % 2 == 1 && first != Some(&b'#')
    }
}

pub fn is_blank(byte: u8) -> bool {
    matches!(byte, b' ' | b'\t' | b'\r')
}
