//! How entries of an export differ from the live ones: as text, and as JSON.

use std::fmt::Write as _;

use serde::Serialize;

use super::amounts::{bytes, counted};
use super::safe_text::safe_line;
use crate::jobs::Name;
use crate::ldif::{AttributeValue, Difference, Dn};
use crate::record::GenerationName;

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EntriesFacts {
    pub job: Name,
    pub generation: GenerationName,
    pub entries: Vec<ComparedEntry>,
}

/// An entry that is not the same in the export and in the live service.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ComparedEntry {
    pub dn: String,
    pub state: EntryState,
    /// Values that only the export has.
    pub then: Vec<ShownValue>,
    /// Values that only the live entry has.
    pub now: Vec<ShownValue>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum EntryState {
    /// It is in the export, and no more in the service.
    Missing,
    Differs,
    /// It came after the export, and is left alone.
    OnlyLive,
}

/// A value, as far as it can be shown: what is secret or not text is told by its length.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct ShownValue {
    pub attribute: String,
    pub value: String,
}

/// Of these the value opens something: RFC 4519, 2.41; RFC 2307; `OpenLDAP` and Samba (from memory).
const SECRET: [&str; 10] = [
    "oathsecret",
    "sambapasswordhistory",
    "sambacleartextpassword",
    "userpassword",
    "olcrootpw",
    "sambantpassword",
    "sambalmpassword",
    "krbprincipalkey",
    "authpassword",
    "pwdhistory",
];

impl ComparedEntry {
    pub fn new(dn: &Dn, state: EntryState, difference: Difference) -> Self {
        let shown = |values: Vec<AttributeValue>| values.iter().map(ShownValue::of).collect();
        Self {
            dn: dn.to_string(),
            state,
            then: shown(difference.only_new),
            now: shown(difference.only_old),
        }
    }
}

impl ShownValue {
    fn of(value: &AttributeValue) -> Self {
        let length = value.value.len() as u64;
        let text = std::str::from_utf8(&value.value);
        let value_text = match text {
            _ if SECRET.contains(&value.name.type_key()) => "(secret, not shown)".to_owned(),
            Ok(text) if !text.contains(char::is_control) => text.to_owned(),
            _ => format!("({})", bytes(length)),
        };
        Self {
            attribute: value.name.to_string(),
            value: value_text,
        }
    }
}

/// One entry after the other: what the export would bring (`+`), and what would go (`-`).
pub fn entries_text(facts: &EntriesFacts) -> String {
    let mut text = String::new();
    for entry in &facts.entries {
        let what = match entry.state {
            EntryState::Missing => "is no more in the service",
            EntryState::Differs => "differs",
            EntryState::OnlyLive => "is not in the export, and is left alone",
        };
        let _ = writeln!(text, "{}: {what}", safe_line(&entry.dn));
        for (mark, values) in [("-", &entry.now), ("+", &entry.then)] {
            for one in values {
                let line = safe_line(&format!("{}: {}", one.attribute, one.value));
                let _ = writeln!(text, "  {mark} {line}");
            }
        }
    }
    let is_change = |entry: &&ComparedEntry| entry.state != EntryState::OnlyLive;
    let changes = facts.entries.iter().filter(is_change).count() as u64;
    if changes == 0 {
        let _ = writeln!(
            text,
            "Nothing to bring back from {}: what it holds is there.",
            facts.generation
        );
    } else {
        let _ = writeln!(
            text,
            "{} from {}",
            counted(changes, "entry to bring back", "entries to bring back"),
            facts.generation
        );
    }
    text
}
