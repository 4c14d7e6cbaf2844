//! One line taken apart: `name: value`, `name:: base64`, `name:< url`, and the values within bounds.

use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;

use super::dn::Dn;
use super::error::{LdifTrouble, quoted, shown};

/// A line by its first colon; the value is still as it stands in the file.
#[derive(Debug, Clone, Copy)]
pub struct Spec<'l> {
    pub name: &'l [u8],
    value: Raw<'l>,
}

#[derive(Debug, Clone, Copy)]
enum Raw<'l> {
    Plain(&'l [u8]),
    Base64(&'l [u8]),
    Url,
}

impl<'l> Spec<'l> {
    pub fn of(line: &'l [u8]) -> Result<Self, LdifTrouble> {
        let colon = line.iter().position(|byte| *byte == b':');
        let (Some(colon), false) = (colon, line.starts_with(b" ")) else {
            // not shown: it may be a piece of a value
            let found = match line {
                [b'-'] => "`-`",
                [b' ', ..] => "a line that begins with a space and goes on with none",
                _ => "a line without a colon",
            };
            return Err(LdifTrouble::expected(
                "the name of an attribute and `:`",
                found,
            ));
        };
        let (name, rest) = (&line[..colon], &line[colon + 1..]);
        let value = match rest.first() {
            Some(b':') => Raw::Base64(filled(&rest[1..])),
            Some(b'<') => Raw::Url,
            _ => Raw::Plain(filled(rest)),
        };
        Ok(Self { name, value })
    }

    /// For a value that stands within the line of this name.
    pub fn within(self, name: &'l [u8]) -> Self {
        Self { name, ..self }
    }

    /// Whether the name is this one, of small letters.
    pub fn is(&self, name: &str) -> bool {
        self.name.eq_ignore_ascii_case(name.as_bytes())
    }

    pub fn value(&self) -> Result<Vec<u8>, LdifTrouble> {
        match self.value {
            Raw::Plain(bytes) => self.plain(bytes).map(<[u8]>::to_vec),
            Raw::Base64(bytes) => STANDARD.decode(bytes).map_err(|error| {
                let name = shown(self.name);
                let why = in_words(&error);
                LdifTrouble::Base64 { name, why }
            }),
            Raw::Url => Err(LdifTrouble::Url {
                name: shown(self.name),
            }),
        }
    }

    /// A value that must stand as it is, such as of `changetype`.
    pub fn word(&self) -> Result<&'l str, LdifTrouble> {
        match self.value {
            Raw::Plain(bytes) => {
                std::str::from_utf8(self.plain(bytes)?).map_err(|_| self.no_utf8())
            }
            _ => Err(LdifTrouble::expected(
                "one colon and a plain word",
                format!("a value of `{}` in another form", shown(self.name)),
            )),
        }
    }

    pub fn dn(&self) -> Result<Dn, LdifTrouble> {
        let value = self.value()?;
        let Ok(text) = std::str::from_utf8(&value) else {
            let found = quoted(&value);
            return Err(LdifTrouble::expected(
                "a distinguished name in UTF-8",
                found,
            ));
        };
        Dn::parse(text).map_err(LdifTrouble::Dn)
    }

    /// RFC 2849 lets only ASCII stand unencoded. UTF-8 is read by ldapmodify(1) and Python's `ldif` module as
    /// well, and people write it; all else is damage: zeros of a block that was never written, a flipped bit.
    fn plain(&self, bytes: &'l [u8]) -> Result<&'l [u8], LdifTrouble> {
        let name = || shown(self.name);
        if bytes.contains(&0) {
            let what = "a NUL";
            return Err(LdifTrouble::Unencoded { name: name(), what });
        }
        if bytes.contains(&b'\r') {
            let what = "a carriage return";
            return Err(LdifTrouble::Unencoded { name: name(), what });
        }
        if std::str::from_utf8(bytes).is_err() {
            return Err(self.no_utf8());
        }
        Ok(bytes)
    }

    fn no_utf8(&self) -> LdifTrouble {
        LdifTrouble::Unencoded {
            name: shown(self.name),
            what: "bytes that are no UTF-8",
        }
    }
}

/// Where it is wrong, and not what stands there.
fn in_words(error: &base64::DecodeError) -> String {
    use base64::DecodeError as E;
    match error {
        E::InvalidByte(at, _) | E::InvalidLastSymbol { offset: at, .. } => {
            format!("found something else at its character {}", at + 1)
        }
        E::InvalidLength(length) => {
            format!("found {length} characters, which is no multiple of 4")
        }
        E::InvalidPadding => "found it without its padding".to_owned(),
    }
}

/// Without the spaces before it, `FILL` in RFC 2849.
fn filled(text: &[u8]) -> &[u8] {
    let begin = text.iter().position(|byte| *byte != b' ');
    &text[begin.unwrap_or(text.len())..]
}
