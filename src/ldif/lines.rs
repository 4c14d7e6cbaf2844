//! The lines of LDIF, folded ones put together, without comments, within bounds.

use std::io::{BufRead, ErrorKind, Read as _};

use super::error::{LdifError, LdifTrouble};

#[derive(Debug)]
pub struct Lines<R> {
    input: R,
    /// Lines of the file that were read.
    count: u64,
    /// Where the present line begins, from 1.
    first: u64,
    bytes: u64,
    /// One line, put together, without its newline.
    line: Vec<u8>,
}

/// What comes next.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Next {
    /// See [`Lines::line`]; it is not empty.
    Line,
    /// It ends a record.
    Empty,
    End,
}

impl<R: BufRead> Lines<R> {
    pub fn new(input: R) -> Self {
        Self {
            input,
            count: 0,
            first: 0,
            bytes: 0,
            line: Vec::new(),
        }
    }

    pub fn line(&self) -> &[u8] {
        &self.line
    }

    /// Of the present line, from 1.
    pub fn number(&self) -> u64 {
        self.first
    }

    pub fn bytes(&self) -> u64 {
        self.bytes
    }

    pub fn input(&self) -> &R {
        &self.input
    }

    pub fn error(&self, trouble: LdifTrouble) -> LdifError {
        LdifError {
            line: self.first,
            trouble,
        }
    }

    /// The next line that is no comment. `None` when it is longer than `most`.
    pub fn next(&mut self, most: usize) -> Result<Option<Next>, LdifError> {
        loop {
            self.line.clear();
            self.first = self.count + 1;
            let begin = self.bytes;
            match self.read_one(most)? {
                Part::End => return Ok(Some(Next::End)),
                Part::TooLong => return Ok(None),
                Part::Read if self.line.is_empty() => return Ok(Some(Next::Empty)),
                Part::Read => {}
            }
            let is_comment = self.line[0] == b'#';
            while self.is_continued()? {
                // of a comment nothing is needed but its mark
                self.line.truncate(if is_comment { 1 } else { usize::MAX });
                self.input.consume(1);
                self.bytes += 1;
                // empty lines may go on without end, and take no memory
                let taken = usize::try_from(self.bytes - begin).unwrap_or(usize::MAX);
                if taken > most && !is_comment {
                    return Ok(None);
                }
                match self.read_one(most)? {
                    Part::Read => {}
                    Part::TooLong => return Ok(None),
                    Part::End => return Err(self.error(LdifTrouble::CutOff)),
                }
            }
            if !is_comment {
                return Ok(Some(Next::Line));
            }
        }
    }

    /// RFC 2849, note 2: "a line that begins with a single SPACE" goes on with the line before it.
    fn is_continued(&mut self) -> Result<bool, LdifError> {
        loop {
            match self.input.fill_buf() {
                Ok(next) => return Ok(next.first() == Some(&b' ')),
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(error) => return Err(self.error(LdifTrouble::Input(error))),
            }
        }
    }

    /// Appends one line of the file, without its newline.
    fn read_one(&mut self, most: usize) -> Result<Part, LdifError> {
        // two more for CR LF
        let room = most.saturating_sub(self.line.len()).saturating_add(2);
        let mut part = (&mut self.input).take(u64::try_from(room).unwrap_or(u64::MAX));
        let got = match part.read_until(b'\n', &mut self.line) {
            Ok(got) => got,
            Err(error) => {
                return Err(LdifError {
                    line: self.count + 1,
                    trouble: LdifTrouble::Input(error),
                });
            }
        };
        if got == 0 {
            return Ok(Part::End);
        }
        self.count += 1;
        self.bytes += got as u64;
        if self.line.pop_if(|byte| *byte == b'\n').is_some() {
            self.line.pop_if(|byte| *byte == b'\r');
        } else if self.line.len() <= most {
            return Err(self.error(LdifTrouble::CutOff));
        }
        if self.line.len() > most {
            return Ok(Part::TooLong);
        }
        Ok(Part::Read)
    }
}

enum Part {
    Read,
    TooLong,
    End,
}
