//! The text of distinguished names taken apart: RFC 4514, and the older spellings that RFC 2253, section 4, has
//! readers accept: spaces around `,`, `+` and `=`, `;` for `,`, and values in quotes. RFC 2849's own examples
//! have spaces.

use std::fmt;

use super::attribute::is_attribute_type;
use super::error::shown;

/// A name that is no distinguished name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DnError {
    /// Its beginning, if it is long.
    pub dn: String,
    /// In bytes, from 0.
    pub at: usize,
    pub expected: &'static str,
}

/// One `type=value`, unescaped.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Part<'t> {
    pub attribute: &'t str,
    pub value: PartValue,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PartValue {
    /// Bytes of the value's own text; not always UTF-8, as hex pairs may tell any byte.
    Text(Vec<u8>),
    /// `#` and hex: the value in BER.
    Ber(Vec<u8>),
}

/// The parts of one level.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rdn<'t> {
    pub parts: Vec<Part<'t>>,
    /// Where the text of the level above begins.
    pub end: usize,
}

/// What ended a value.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Mark {
    Plus,
    Comma,
    End,
}

/// The levels, the entry's own first.
pub fn parse(text: &str) -> Result<Vec<Rdn<'_>>, DnError> {
    let mut cursor = Cursor { text, at: 0 };
    let mut rdns = Vec::new();
    if text.is_empty() {
        return Ok(rdns);
    }
    loop {
        let mut parts = Vec::new();
        let mark = loop {
            let (part, mark) = cursor.part()?;
            parts.push(part);
            if mark != Mark::Plus {
                break mark;
            }
        };
        let end = cursor.at;
        rdns.push(Rdn { parts, end });
        if mark == Mark::End {
            return Ok(rdns);
        }
    }
}

struct Cursor<'t> {
    text: &'t str,
    at: usize,
}

impl<'t> Cursor<'t> {
    fn peek(&self) -> Option<u8> {
        self.text.as_bytes().get(self.at).copied()
    }

    fn skip_spaces(&mut self) {
        while self.peek() == Some(b' ') {
            self.at += 1;
        }
    }

    fn expected(&self, expected: &'static str) -> DnError {
        DnError {
            dn: shown(self.text.as_bytes()),
            at: self.at,
            expected,
        }
    }

    fn part(&mut self) -> Result<(Part<'t>, Mark), DnError> {
        self.skip_spaces();
        let begin = self.at;
        let rest = &self.text.as_bytes()[begin..];
        let is_end = |byte: &u8| !(byte.is_ascii_alphanumeric() || matches!(byte, b'-' | b'.'));
        self.at += rest.iter().position(is_end).unwrap_or(rest.len());
        let attribute = &self.text[begin..self.at];
        self.skip_spaces();
        if self.peek() != Some(b'=') || !is_attribute_type(attribute.as_bytes()) {
            return Err(self.expected("the name of an attribute and `=`"));
        }
        self.at += 1;
        self.skip_spaces();
        let value = match self.peek() {
            Some(b'#') => PartValue::Ber(self.hex()?),
            Some(b'"') => PartValue::Text(self.in_quotes()?),
            _ => PartValue::Text(self.plain()?),
        };
        self.skip_spaces();
        let mark = match self.peek() {
            None => Mark::End,
            Some(b'+') => Mark::Plus,
            Some(b',' | b';') => Mark::Comma,
            Some(_) => return Err(self.expected("`,`, `+` or the end")),
        };
        self.at += usize::from(mark != Mark::End);
        Ok((Part { attribute, value }, mark))
    }

    fn hex(&mut self) -> Result<Vec<u8>, DnError> {
        self.at += 1;
        let mut value = Vec::new();
        while let Some(byte) = self.hex_pair() {
            value.push(byte);
        }
        if value.is_empty() {
            return Err(self.expected("pairs of hex digits after `#`"));
        }
        Ok(value)
    }

    fn hex_pair(&mut self) -> Option<u8> {
        let digit = |at: usize| char::from(*self.text.as_bytes().get(at)?).to_digit(16);
        let byte = digit(self.at)? << 4 | digit(self.at + 1)?;
        self.at += 2;
        u8::try_from(byte).ok()
    }

    fn in_quotes(&mut self) -> Result<Vec<u8>, DnError> {
        self.at += 1;
        let mut value = Vec::new();
        loop {
            match self.peek() {
                None | Some(0) => return Err(self.expected("a quote that ends the value")),
                Some(b'"') => break,
                Some(b'\\') => {
                    self.at += 1;
                    match self.peek() {
                        Some(byte @ (b'"' | b'\\')) => value.push(byte),
                        // RFC 2253 has hex pairs here too, OpenLDAP takes their digits as they are
                        _ => return Err(self.expected("`\"` or a backslash, within quotes")),
                    }
                    self.at += 1;
                }
                Some(byte) => {
                    value.push(byte);
                    self.at += 1;
                }
            }
        }
        self.at += 1;
        Ok(value)
    }

    fn plain(&mut self) -> Result<Vec<u8>, DnError> {
        let mut value = Vec::new();
        // spaces at the end are not of the value, unless they are escaped
        let mut length = 0;
        loop {
            match self.peek() {
                None | Some(b',' | b';' | b'+') => break,
                Some(b'"' | b'<' | b'>' | 0) => {
                    return Err(self.expected("a backslash before `\"`, `<`, `>` and NUL"));
                }
                Some(b'\\') => {
                    value.push(self.escape()?);
                    length = value.len();
                }
                Some(byte) => {
                    value.push(byte);
                    self.at += 1;
                    if byte != b' ' {
                        length = value.len();
                    }
                }
            }
        }
        value.truncate(length);
        Ok(value)
    }

    fn escape(&mut self) -> Result<u8, DnError> {
        self.at += 1;
        if let Some(byte) = self.hex_pair() {
            return Ok(byte);
        }
        match self.peek() {
            Some(byte @ (b'\\' | b'"' | b'+' | b',' | b';' | b'<' | b'>' | b' ' | b'#' | b'=')) => {
                self.at += 1;
                Ok(byte)
            }
            _ => Err(self.expected("two hex digits or a special character after the backslash")),
        }
    }
}

/// A value as it stands in a distinguished name: RFC 4514, section 2.4. Bytes that are no UTF-8, and control
/// characters, become hex pairs.
pub fn escaped(value: &[u8]) -> String {
    let mut out = String::with_capacity(value.len());
    for chunk in value.utf8_chunks() {
        for found in chunk.valid().chars() {
            match found {
                '"' | '+' | ',' | ';' | '<' | '>' | '\\' => out.extend(['\\', found]),
                '\0'..='\x1f' | '\x7f' => push_pair(u32::from(found), &mut out),
                _ => out.push(found),
            }
        }
        for byte in chunk.invalid() {
            push_pair(u32::from(*byte), &mut out);
        }
    }
    if out.ends_with(' ') {
        out.pop();
        out.push_str("\\ ");
    }
    if value.len() > 1 && out.starts_with(' ') || out.starts_with('#') {
        out.insert(0, '\\');
    }
    out
}

fn push_pair(byte: u32, out: &mut String) {
    let digit = |digit| char::from_digit(digit, 16).unwrap_or('0');
    out.extend(['\\', digit(byte >> 4), digit(byte & 15)]);
}

impl fmt::Display for DnError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { dn, at, expected } = self;
        let place = at + 1;
        write!(
            f,
            "`{dn}` is no distinguished name: expected {expected} at byte {place}"
        )
    }
}

impl std::error::Error for DnError {}
