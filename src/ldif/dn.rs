//! Distinguished names.

use std::cmp::Ordering;
use std::fmt;
use std::hash::{Hash, Hasher};

use super::dn_key::{DnKey, folded, short_name};
use super::dn_text::{DnError, PartValue, parse};

/// Spelt as it was read; equal to all spellings of the same name: see [`DnKey`].
#[derive(Clone)]
pub struct Dn {
    text: Box<str>,
    key: DnKey,
}

/// A value of an entry that is in its name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NamingValue {
    attribute: String,
    value: PartValue,
}

impl Dn {
    /// # Errors
    /// [`DnError`] when it is no distinguished name.
    pub fn parse(text: &str) -> Result<Self, DnError> {
        let key = DnKey::of(&parse(text)?);
        Ok(Self {
            text: text.into(),
            key,
        })
    }

    /// The name of no level.
    pub fn root() -> Self {
        Self {
            text: "".into(),
            key: DnKey::of(&[]),
        }
    }

    pub fn as_str(&self) -> &str {
        &self.text
    }

    pub fn key(&self) -> &DnKey {
        &self.key
    }

    /// How many levels it has.
    pub fn depth(&self) -> usize {
        self.key.depth()
    }

    /// The level above; `None` for the root.
    pub fn parent(&self) -> Option<Self> {
        let rdns = parse(&self.text).ok()?;
        let end = rdns.first()?.end;
        Some(Self {
            text: self.text[end..].trim_start_matches(' ').into(),
            key: self.key.parent()?,
        })
    }

    /// Below `base`, at any depth, and not `base` itself.
    pub fn is_below(&self, base: &Self) -> bool {
        self.is_within(base) && self != base
    }

    /// In the subtree of `base`: below it, or the same.
    pub fn is_within(&self, base: &Self) -> bool {
        self.key.is_within(&base.key)
    }

    /// Those of the entry's own level.
    pub fn naming_values(&self) -> Vec<NamingValue> {
        let rdns = parse(&self.text).unwrap_or_default();
        let own = rdns.into_iter().next();
        let parts = own.map(|rdn| rdn.parts).unwrap_or_default();
        let parts = parts.into_iter().map(|part| NamingValue {
            attribute: part.attribute.to_owned(),
            value: part.value,
        });
        parts.collect()
    }
}

impl NamingValue {
    /// As it is spelt.
    pub fn attribute(&self) -> &str {
        &self.attribute
    }

    /// `None` when the name tells it in BER.
    pub fn value(&self) -> Option<&[u8]> {
        match &self.value {
            PartValue::Text(value) => Some(value),
            PartValue::Ber(_) => None,
        }
    }

    /// Whether it is of the attribute of this name in small letters.
    pub(super) fn is_of(&self, type_key: &str) -> bool {
        short_name(&self.attribute.to_ascii_lowercase()) == short_name(type_key)
    }

    /// As [`DnKey`] compares.
    pub(super) fn is_like(&self, value: &[u8]) -> bool {
        self.value().is_some_and(|own| folded(own) == folded(value))
    }
}

impl fmt::Display for Dn {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.as_str())
    }
}

impl fmt::Debug for Dn {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Debug::fmt(self.as_str(), f)
    }
}

impl PartialEq for Dn {
    fn eq(&self, other: &Self) -> bool {
        self.key == other.key
    }
}

impl Eq for Dn {}

impl PartialOrd for Dn {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

/// In the order of the tree: an entry before those below it.
impl Ord for Dn {
    fn cmp(&self, other: &Self) -> Ordering {
        self.key.cmp(&other.key)
    }
}

impl Hash for Dn {
    fn hash<H: Hasher>(&self, state: &mut H) {
        self.key.hash(state);
    }
}
