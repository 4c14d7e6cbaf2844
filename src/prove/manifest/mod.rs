//! Manifests: what lies in a copy, name by name, as mtree(5) text that other programs read and check too.
//!
//! [`Writer`] and [`read`] stream, so that memory stays flat however long a manifest is. Two programs were
//! asked, by the tests, what they write and accept: `bsdtar` (libarchive) and NetBSD's `mtree`. Where they
//! differ, what we write is what both read alike; what either writes, we read.

mod decimal;
mod ending;
mod entry;
mod error;
mod file;
mod heading;
mod keywords;
mod lines;
mod place;
mod reader;
#[cfg(test)]
mod reader_tests;
#[cfg(test)]
mod round_trip_tests;
mod shared;
mod vis;
mod writer;
#[cfg(test)]
mod writer_tests;

pub use entry::{Digest, Entry, EntryKind, MalformedDigest, Time};
pub use error::{ManifestError, ManifestTrouble};
pub use file::{create_in, open_in, partial_name, publish_in, write_in};
pub use heading::{Beside, Heading};
pub use reader::{Reader, read};
pub use writer::Writer;
