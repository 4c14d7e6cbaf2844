//! Manifests: what lies in a copy, name by name, as mtree(5) text that other programs read and check too.

mod entry;

pub use entry::{Digest, Entry, EntryKind, Time};
