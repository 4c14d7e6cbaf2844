//! Writes LDIF that every reader of RFC 2849 takes.

use std::io::{self, Write};

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;

use super::attribute::AttributeValue;
use super::record::{Change, ChangeRecord, Control, Criticality, Entry, OldRdn, Record, Rename};

/// Where lines are folded: "typically 76" (RFC 2849, note 2).
const COLUMNS: usize = 76;

/// Writes record after record, each with an empty line after it.
#[derive(Debug)]
pub struct Writer<W> {
    output: W,
    line: Vec<u8>,
}

impl<W: Write> Writer<W> {
    /// Writes the line of the version, which RFC 2849 wants, for ldapmodify(1) and most others.
    pub fn begin(output: W) -> io::Result<Self> {
        let mut writer = Self::for_slapadd(output);
        writer.output.write_all(b"version: 1\n\n")?;
        Ok(writer)
    }

    /// Without that line: slapadd(8) of `OpenLDAP` 2.5 takes it for part of an entry and refuses the file.
    pub fn for_slapadd(output: W) -> Self {
        Self {
            output,
            line: Vec::new(),
        }
    }

    pub fn record(&mut self, record: &Record) -> io::Result<()> {
        match record {
            Record::Content(entry) => self.entry(entry),
            Record::Change(change) => self.change(change),
        }
    }

    /// # Errors
    /// Also when the entry has no value, which LDIF cannot tell.
    pub fn entry(&mut self, entry: &Entry) -> io::Result<()> {
        self.pair("dn", entry.dn.as_str().as_bytes())?;
        self.values(&entry.values)?;
        self.output.write_all(b"\n")
    }

    /// # Errors
    /// Also when it adds an entry without a value.
    pub fn change(&mut self, record: &ChangeRecord) -> io::Result<()> {
        self.pair("dn", record.dn.as_str().as_bytes())?;
        for control in &record.controls {
            self.control(control)?;
        }
        match &record.change {
            Change::Add(values) => {
                self.pair("changetype", b"add")?;
                self.values(values)?;
            }
            Change::Delete => self.pair("changetype", b"delete")?,
            Change::Modify(modifications) => {
                self.pair("changetype", b"modify")?;
                for one in modifications {
                    self.pair(one.kind.word(), one.name.as_str().as_bytes())?;
                    for value in &one.values {
                        self.pair(one.name.as_str(), value)?;
                    }
                    self.output.write_all(b"-\n")?;
                }
            }
            Change::Rename(rename) => self.rename(rename)?,
        }
        self.output.write_all(b"\n")
    }

    /// Gives the output back, flushed.
    pub fn finish(mut self) -> io::Result<W> {
        self.output.flush()?;
        Ok(self.output)
    }

    fn rename(&mut self, rename: &Rename) -> io::Result<()> {
        self.pair("changetype", b"modrdn")?;
        self.pair("newrdn", rename.new_rdn.as_str().as_bytes())?;
        let delete = match rename.old_rdn {
            OldRdn::Kept => b"0",
            OldRdn::Deleted => b"1",
        };
        self.pair("deleteoldrdn", delete)?;
        match &rename.new_superior {
            Some(dn) => self.pair("newsuperior", dn.as_str().as_bytes()),
            None => Ok(()),
        }
    }

    fn control(&mut self, control: &Control) -> io::Result<()> {
        let criticality = match control.criticality {
            Criticality::Critical => "true",
            Criticality::NotCritical => "false",
        };
        let head = format!("control: {} {criticality}", control.oid);
        if let Some(value) = &control.value {
            return self.pair(&head, value);
        }
        self.line.clear();
        self.line.extend_from_slice(head.as_bytes());
        self.write_folded()
    }

    fn values(&mut self, values: &[AttributeValue]) -> io::Result<()> {
        if values.is_empty() {
            let message = "an entry without a value cannot be written as LDIF";
            return Err(io::Error::new(io::ErrorKind::InvalidInput, message));
        }
        values
            .iter()
            .try_for_each(|one| self.pair(one.name.as_str(), &one.value))
    }

    fn pair(&mut self, name: &str, value: &[u8]) -> io::Result<()> {
        self.line.clear();
        self.line.extend_from_slice(name.as_bytes());
        if value.is_empty() {
            self.line.push(b':');
        } else if is_safe(value) {
            self.line.extend_from_slice(b": ");
            self.line.extend_from_slice(value);
        } else {
            self.line.extend_from_slice(b":: ");
            self.line
                .extend_from_slice(STANDARD.encode(value).as_bytes());
        }
        self.write_folded()
    }

    fn write_folded(&mut self) -> io::Result<()> {
        let (first, rest) = self.line.split_at(self.line.len().min(COLUMNS));
        self.output.write_all(first)?;
        // the space at the beginning is one of the columns
        for more in rest.chunks(COLUMNS - 1) {
            self.output.write_all(b"\n ")?;
            self.output.write_all(more)?;
        }
        self.output.write_all(b"\n")
    }
}

/// SAFE-STRING of RFC 2849 without a space at the end (note 8), and without control characters: these may
/// stand there, but a terminal obeys them.
fn is_safe(value: &[u8]) -> bool {
    let is_graphic = |byte: &u8| matches!(byte, b' '..=b'~');
    !matches!(value.first(), Some(b' ' | b':' | b'<'))
        && value.last() != Some(&b' ')
        && value.iter().all(is_graphic)
}
