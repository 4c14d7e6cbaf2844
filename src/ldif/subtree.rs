//! Takes one entry, or one with all below it, out of a file.

use std::io::BufRead;

use super::dn::Dn;
use super::error::LdifError;
use super::reader::Reader;
use super::record::Record;

/// The records of `base` and of what lies below it, at any depth, in the order of the file. What is wrong with the
/// file comes as the last item, also when it stands elsewhere.
pub fn subtree<R: BufRead>(
    reader: Reader<R>,
    base: Dn,
) -> impl Iterator<Item = Result<Record, LdifError>> {
    reader.filter(move |record| match record {
        Ok(record) => record.dn().is_within(&base),
        Err(_) => true,
    })
}
