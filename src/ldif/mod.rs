//! LDIF, the text of directories: reading, writing and comparing it as RFC 2849 defines it.
//!
//! Everything streams: besides what is told at each place, only one record is in memory, and that within a
//! limit. Nothing here opens a file, a URL or a connection.

mod attribute;
mod changes;
mod compare;
#[cfg(test)]
mod compare_tests;
mod digests;
mod dn;
mod dn_key;
#[cfg(test)]
mod dn_tests;
mod dn_text;
mod error;
mod lines;
mod reader;
mod reader_changes;
#[cfg(test)]
mod reader_limits_tests;
#[cfg(test)]
mod reader_tests;
mod record;
#[cfg(test)]
mod rfc_examples_tests;
#[cfg(test)]
mod round_trip_tests;
mod spec;
#[cfg(test)]
mod speed_tests;
mod subtree;
mod writer;

pub use attribute::{AttributeName, AttributeNames, AttributeValue, MalformedName};
pub use changes::{OtherEntry, changes, is_kept_by_server};
pub use compare::{Difference, difference};
pub use digests::{Compared, Digest, Digests, EntryDifference, differences};
pub use dn::{Dn, NamingValue};
pub use dn_key::DnKey;
pub use dn_text::{DnError, escaped};
pub use error::{LdifError, LdifTrouble};
pub use reader::{MOST_BYTES, Reader};
pub use record::{
    Change, ChangeRecord, Control, Criticality, Entry, Modification, ModificationKind, OldRdn,
    Record, Rename,
};
pub use subtree::subtree;
pub use writer::Writer;
