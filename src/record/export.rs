//! What an export holds, as it tells it itself.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::GenerationName;
use crate::jobs::{KindName, Name};

/// The last member of an export: what came before it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Export {
    /// By which a version of hayloft knows whether it can read it: [`Export::FORMAT`].
    pub hayloft_export: u32,
    pub server: Name,
    pub job: Name,
    pub kind: KindName,
    pub generation: GenerationName,
    /// Such as the version of the service.
    pub told: BTreeMap<String, String>,
    pub members: Vec<Exported>,
}

impl Export {
    /// The only layout so far.
    pub const FORMAT: u32 = 1;
    /// Its name in the archive.
    pub const NAME: &str = "export.json";
}

/// A member of an export.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Exported {
    pub name: String,
    /// Its length in bytes.
    pub bytes: u64,
    /// In hexadecimal digits.
    pub sha256: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub count: Option<Count>,
}

/// How much of something a member holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Count {
    pub amount: u64,
    pub of: Counted,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Counted {
    /// Of a directory.
    Entries,
    /// Of the tables of a database.
    Rows,
}

impl Counted {
    /// One of them, and several.
    pub fn words(self) -> (&'static str, &'static str) {
        match self {
            Self::Entries => ("entry", "entries"),
            Self::Rows => ("row", "rows"),
        }
    }
}
