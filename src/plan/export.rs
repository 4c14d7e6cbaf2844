//! Exports: what programs tell of a service, kept as members of one archive.

use std::collections::BTreeMap;
use std::path::PathBuf;

/// A member of an export: what a program writes, kept where nobody else can read it until the archive is written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Member {
    /// Its name in the archive.
    pub name: String,
    pub content: Content,
}

/// What a member holds, and so what is counted of it while it passes by.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Content {
    /// Entries of a directory, RFC 2849. One that is not whole is refused.
    Ldif,
    /// The figures of the tables of a database; their rows are counted.
    Tables,
    Plain,
}

/// Two members of entries of a directory that must be the same, order aside.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SameEntries {
    pub exported: String,
    pub loaded: String,
}

/// The configuration of a directory service, made to fit a folder of its own and to reach nothing outside.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ScratchConfig {
    /// The member that holds it.
    pub from: String,
    /// The member that is made.
    pub to: String,
    pub folder: PathBuf,
}

/// What an export tells of itself besides its members, by name: such as the version of the service.
pub type Told = BTreeMap<String, String>;
