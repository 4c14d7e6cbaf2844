//! Reads LDIF record by record, as RFC 2849 defines it.

use std::collections::HashMap;
use std::io::BufRead;
use std::iter::FusedIterator;

use super::attribute::{AttributeName, AttributeValue};
use super::dn::Dn;
use super::error::{LdifError, LdifTrouble, quoted};
use super::lines::{Lines, Next};
use super::record::{Entry, Record};
use super::spec::Spec;

/// What one record may take of memory if the caller says nothing else; a group of some 400,000 members.
pub const MOST_BYTES: usize = 64 << 20;

/// What a line of a record takes beside its bytes, about.
const BESIDE_LINE: usize = 96;

/// Names of attributes that are kept to be used again: few, however hostile the file.
const MOST_NAMES: usize = 1024;
const LONGEST_NAME: usize = 80;

/// Gives the records in the order of the file; what is wrong with it comes as the last item.
#[derive(Debug)]
pub struct Reader<R> {
    pub(super) lines: Lines<R>,
    most: usize,
    /// What the present record may still take.
    left: usize,
    names: HashMap<Box<[u8]>, AttributeName>,
    record: u64,
    state: State,
    last: Next,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    Begin,
    Within,
    Done,
}

impl<R: BufRead> Reader<R> {
    pub fn new(input: R) -> Self {
        Self {
            lines: Lines::new(input),
            most: MOST_BYTES,
            left: MOST_BYTES,
            names: HashMap::new(),
            record: 0,
            state: State::Begin,
            last: Next::End,
        }
    }

    /// Refuses a record that takes more memory than this, about; besides, memory is flat.
    #[must_use]
    pub fn with_most_bytes(mut self, most: usize) -> Self {
        self.most = most;
        self
    }

    /// Where the record given last begins.
    pub fn record_line(&self) -> u64 {
        self.record
    }

    /// How much was read.
    pub fn bytes(&self) -> u64 {
        self.lines.bytes()
    }

    /// Whether, at the end of the input, the last record had an empty line after it. RFC 2849 asks for none there, but
    /// slapcat(8) ends each entry with one: without it, something is missing.
    pub fn ended_in_empty_line(&self) -> bool {
        self.state == State::Done && self.last == Next::Empty
    }

    pub fn input(&self) -> &R {
        self.lines.input()
    }

    /// The entries alone; a change is an error.
    pub fn entries(self) -> impl Iterator<Item = Result<Entry, LdifError>> {
        let mut reader = self;
        std::iter::from_fn(move || reader.next_entry()).fuse()
    }

    pub(super) fn next_entry(&mut self) -> Option<Result<Entry, LdifError>> {
        Some(match self.next()? {
            Ok(Record::Content(entry)) => Ok(entry),
            Ok(Record::Change(_)) => {
                self.state = State::Done;
                let trouble = LdifTrouble::expected("an entry", "a change of one");
                Err(self.error_at_record(trouble))
            }
            Err(error) => Err(error),
        })
    }

    pub(super) fn error_at_record(&self, trouble: LdifTrouble) -> LdifError {
        LdifError {
            line: self.record,
            trouble,
        }
    }

    fn record(&mut self) -> Result<Option<Record>, LdifError> {
        self.left = self.most;
        if !self.skip_empty()? {
            return Ok(None);
        }
        if self.state == State::Begin {
            self.state = State::Within;
            if Spec::of(self.lines.line()).is_ok_and(|spec| spec.is("version")) {
                self.version()?;
                self.left = self.most;
                if !self.advance()? && !self.skip_empty()? {
                    return Ok(None);
                }
            }
        }
        self.record = self.lines.number();
        let dn = self.dn()?;
        self.advance()?;
        if self.last == Next::Line && self.begins_change()? {
            return self.change(dn).map(Record::Change).map(Some);
        }
        let values = self.values()?;
        Ok(Some(Record::Content(Entry { dn, values })))
    }

    /// To the first line of the next record; `false` at the end.
    fn skip_empty(&mut self) -> Result<bool, LdifError> {
        loop {
            let before = self.last;
            if self.advance()? {
                return Ok(true);
            }
            if self.last == Next::End {
                // the end itself tells nothing
                self.last = before;
                return Ok(false);
            }
        }
    }

    /// To the next line; `false` when the record ends before it.
    pub(super) fn advance(&mut self) -> Result<bool, LdifError> {
        let Some(next) = self.lines.next(self.left)? else {
            let most = self.most;
            return Err(self.error(LdifTrouble::TooLarge { most }));
        };
        self.last = next;
        if next != Next::Line {
            return Ok(false);
        }
        let taken = self.lines.line().len() + BESIDE_LINE;
        let Some(left) = self.left.checked_sub(taken) else {
            let most = self.most;
            return Err(self.error(LdifTrouble::TooLarge { most }));
        };
        self.left = left;
        Ok(true)
    }

    /// Whether there is a present line in this record.
    pub(super) fn is_at_line(&self) -> bool {
        self.last == Next::Line
    }

    pub(super) fn error(&self, trouble: LdifTrouble) -> LdifError {
        self.lines.error(trouble)
    }

    pub(super) fn spec(&self) -> Result<Spec<'_>, LdifError> {
        Spec::of(self.lines.line()).map_err(|trouble| self.error(trouble))
    }

    fn version(&self) -> Result<(), LdifError> {
        let spec = self.spec()?;
        match spec.word().map_err(|trouble| self.error(trouble))? {
            "1" => Ok(()),
            other => {
                let found = super::error::shown(other.as_bytes());
                Err(self.error(LdifTrouble::Version { found }))
            }
        }
    }

    fn dn(&self) -> Result<Dn, LdifError> {
        let expected = "`dn:` at the beginning of a record";
        if self.lines.line() == b"-" {
            return Err(self.error(LdifTrouble::expected(expected, "`-`")));
        }
        let spec = self.spec()?;
        if !spec.is("dn") {
            let found = quoted(spec.name);
            return Err(self.error(LdifTrouble::expected(expected, found)));
        }
        spec.dn().map_err(|trouble| self.error(trouble))
    }

    /// The lines of values from here to the end of the record, of which there must be one.
    pub(super) fn values(&mut self) -> Result<Vec<AttributeValue>, LdifError> {
        let mut values = Vec::new();
        if !self.is_at_line() {
            let trouble = LdifTrouble::expected(
                "at least one attribute",
                "the end of the record; something is missing",
            );
            return Err(self.error_at_record(trouble));
        }
        while self.is_at_line() {
            values.push(self.attribute_value()?);
            self.advance()?;
        }
        Ok(values)
    }

    fn attribute_value(&mut self) -> Result<AttributeValue, LdifError> {
        let spec = self.spec()?;
        if spec.is("dn") {
            let trouble = LdifTrouble::expected("an empty line between two records", "`dn`");
            return Err(self.error(trouble));
        }
        let known = self.names.get(spec.name).cloned();
        let name = match known {
            Some(name) => name,
            None => self.new_name()?,
        };
        let spec = self.spec()?;
        let value = spec.value().map_err(|trouble| self.error(trouble))?;
        Ok(AttributeValue { name, value })
    }

    fn new_name(&mut self) -> Result<AttributeName, LdifError> {
        let spelt = self.spec()?.name;
        let name = AttributeName::parse(spelt).map_err(|_| {
            self.error(LdifTrouble::expected(
                "the name of an attribute before the colon",
                quoted(spelt),
            ))
        })?;
        if spelt.len() <= LONGEST_NAME && self.names.len() < MOST_NAMES {
            let spelt = spelt.into();
            self.names.insert(spelt, name.clone());
        }
        Ok(name)
    }
}

impl<R: BufRead> Iterator for Reader<R> {
    type Item = Result<Record, LdifError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.state == State::Done {
            return None;
        }
        let record = self.record().transpose();
        if !matches!(record, Some(Ok(_))) {
            self.state = State::Done;
        }
        record
    }
}

impl<R: BufRead> FusedIterator for Reader<R> {}
