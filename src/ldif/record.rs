//! What LDIF tells: an entry, or a change of one.

use super::attribute::{AttributeName, AttributeValue};
use super::dn::Dn;

/// RFC 2849 has content and changes in files of their own; who reads both in one, like ldapmodify(1), may.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Record {
    Content(Entry),
    Change(ChangeRecord),
}

/// The values stand in the order of the file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    pub dn: Dn,
    pub values: Vec<AttributeValue>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChangeRecord {
    pub dn: Dn,
    pub controls: Vec<Control>,
    pub change: Change,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Change {
    Add(Vec<AttributeValue>),
    Delete,
    Modify(Vec<Modification>),
    /// `modrdn` and `moddn`.
    Rename(Rename),
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Modification {
    pub kind: ModificationKind,
    pub name: AttributeName,
    /// None, for `delete` and `replace`: all values go.
    pub values: Vec<Vec<u8>>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ModificationKind {
    Add,
    Delete,
    Replace,
    /// RFC 4525.
    Increment,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rename {
    /// Of one level.
    pub new_rdn: Dn,
    pub old_rdn: OldRdn,
    pub new_superior: Option<Dn>,
}

/// What becomes of the values that the old name was made of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum OldRdn {
    Kept,
    Deleted,
}

/// A request to the server that goes with a change: RFC 4511, section 4.1.11.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Control {
    pub oid: String,
    pub criticality: Criticality,
    pub value: Option<Vec<u8>>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Criticality {
    Critical,
    NotCritical,
}

impl Entry {
    /// The values of the attribute of this name and these options, however it is spelt.
    pub fn values_of(&self, name: &AttributeName) -> impl Iterator<Item = &[u8]> {
        self.values
            .iter()
            .filter(move |one| one.name == *name)
            .map(|one| one.value.as_slice())
    }
}

impl Record {
    pub fn dn(&self) -> &Dn {
        match self {
            Self::Content(entry) => &entry.dn,
            Self::Change(change) => &change.dn,
        }
    }
}

impl ModificationKind {
    pub(super) const ALL: [Self; 4] = [Self::Add, Self::Delete, Self::Replace, Self::Increment];

    pub(super) fn word(self) -> &'static str {
        match self {
            Self::Add => "add",
            Self::Delete => "delete",
            Self::Replace => "replace",
            Self::Increment => "increment",
        }
    }
}
