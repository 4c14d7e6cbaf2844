//! Names of attributes with their options, such as `userCertificate;binary`: RFC 4512, section 2.5.

use std::collections::BTreeSet;
use std::fmt;
use std::hash::{Hash, Hasher};
use std::sync::Arc;

use super::error::shown;

/// Spelt as it was read; equal to every spelling of the same: in another case, with its options in another
/// order (RFC 4512, section 2.5.2).
#[derive(Clone)]
pub struct AttributeName(Arc<Spelling>);

struct Spelling {
    text: Box<str>,
    key: Box<str>,
}

/// One value of one attribute, as one line tells it.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct AttributeValue {
    pub name: AttributeName,
    pub value: Vec<u8>,
}

/// A set of attributes, whatever their options, to be left aside or looked for.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct AttributeNames(BTreeSet<String>);

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MalformedName {
    pub name: String,
}

impl AttributeName {
    /// `keystring` or `numericoid`, then `;` with each option.
    ///
    /// # Errors
    /// [`MalformedName`] when it is something else.
    pub fn parse(text: &[u8]) -> Result<Self, MalformedName> {
        let malformed = || MalformedName { name: shown(text) };
        let mut parts = text.split(|byte| *byte == b';');
        let attribute = parts.next().unwrap_or_default();
        let are_options =
            parts.all(|option| !option.is_empty() && option.iter().all(|b| is_key_byte(*b)));
        if !is_attribute_type(attribute) || !are_options {
            return Err(malformed());
        }
        let text = std::str::from_utf8(text).map_err(|_| malformed())?;
        let lower = text.to_ascii_lowercase();
        let mut options: Vec<&str> = lower.split(';').collect();
        options[1..].sort_unstable();
        options.dedup();
        Ok(Self(Arc::new(Spelling {
            text: text.into(),
            key: options.join(";").into(),
        })))
    }

    pub fn as_str(&self) -> &str {
        &self.0.text
    }

    /// The same for all spellings.
    pub fn key(&self) -> &str {
        &self.0.key
    }

    /// The [`key`](Self::key) without options.
    pub fn type_key(&self) -> &str {
        self.key().split(';').next().unwrap_or_default()
    }
}

/// `descr` or `numericoid` of RFC 4512, section 1.4; zeros before a number are let pass.
pub fn is_attribute_type(text: &[u8]) -> bool {
    match text.first() {
        Some(first) if first.is_ascii_alphabetic() => text.iter().all(|byte| is_key_byte(*byte)),
        Some(_) => text
            .split(|byte| *byte == b'.')
            .all(|number| !number.is_empty() && number.iter().all(u8::is_ascii_digit)),
        None => false,
    }
}

fn is_key_byte(byte: u8) -> bool {
    byte.is_ascii_alphanumeric() || byte == b'-'
}

impl AttributeNames {
    /// Of names without options, in any case.
    pub fn new<'n>(names: impl IntoIterator<Item = &'n str>) -> Self {
        Self(names.into_iter().map(str::to_ascii_lowercase).collect())
    }

    pub fn holds(&self, name: &AttributeName) -> bool {
        !self.0.is_empty() && self.0.contains(name.type_key())
    }
}

impl fmt::Display for AttributeName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.as_str())
    }
}

impl fmt::Debug for AttributeName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Debug::fmt(self.as_str(), f)
    }
}

impl PartialEq for AttributeName {
    fn eq(&self, other: &Self) -> bool {
        Arc::ptr_eq(&self.0, &other.0) || self.key() == other.key()
    }
}

impl Eq for AttributeName {}

impl PartialOrd for AttributeName {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for AttributeName {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        if Arc::ptr_eq(&self.0, &other.0) {
            std::cmp::Ordering::Equal
        } else {
            self.key().cmp(other.key())
        }
    }
}

impl Hash for AttributeName {
    fn hash<H: Hasher>(&self, state: &mut H) {
        self.key().hash(state);
    }
}

impl fmt::Display for MalformedName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "`{}` is no name of an attribute", self.name)
    }
}

impl std::error::Error for MalformedName {}

#[cfg(test)]
mod tests {
    use super::*;

    fn name(text: &str) -> AttributeName {
        AttributeName::parse(text.as_bytes()).unwrap()
    }

    #[test]
    fn case_and_the_order_of_options_are_no_difference() {
        assert_eq!(name("CN;lang-pt;X-a"), name("cn;x-A;LANG-pt"));
        assert_ne!(name("cn;lang-pt"), name("cn"));
        assert_eq!(name("userCertificate;Binary").type_key(), "usercertificate");
        assert_eq!(
            name("userCertificate;Binary").as_str(),
            "userCertificate;Binary"
        );
    }

    #[test]
    fn only_names_by_rfc_4512_are_names() {
        for right in [
            "cn",
            "x-2",
            "2.5.4.3",
            "2.5.4.3;binary",
            "c;lang-pt;lang-en",
        ] {
            name(right);
        }
        for wrong in [
            "", "1.", ".1", "1..2", "a b", "cn ", "-a", "a_b", "cn;", ";cn", "cn;;a", "é", "a.b",
            "1.a",
        ] {
            assert!(AttributeName::parse(wrong.as_bytes()).is_err(), "{wrong}");
        }
    }

    #[test]
    fn a_set_holds_names_with_any_options() {
        let set = AttributeNames::new(["entryCSN"]);
        assert!(set.holds(&name("ENTRYcsn;x-y")));
        assert!(!set.holds(&name("contextCSN")));
    }
}
