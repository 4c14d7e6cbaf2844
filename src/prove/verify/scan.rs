//! Looks at the names of one batch, reads the files among them, and tells what is not as it should be.

use std::ffi::OsStr;
use std::io;
use std::os::fd::AsFd;
use std::os::unix::ffi::OsStrExt;

use super::chosen::Choice;
use super::compare::{Attributes, Content, compare};
use super::content::{ReadFile, Unread, open_file, read_file};
use super::folder::{Seen, last_part, look, seen};
use super::known::Known;
use super::ledger::Sum;
use super::pace::{Pace, ToldToStop};
use super::walk::{Batch, Item};
use crate::prove::manifest::EntryKind;
use crate::record::What;

/// What all readers share.
pub struct Scan<'a> {
    pub known: &'a Known,
    pub pace: &'a Pace<'a>,
}

impl Scan<'_> {
    /// Adds what it finds to what the walk found in the batch.
    ///
    /// # Errors
    /// [`ToldToStop`]: the batch is not done.
    pub fn batch(&self, batch: Batch, buffer: &mut [u8]) -> Result<(Sum, Vec<u8>), ToldToStop> {
        let mut sum = batch.sum;
        for item in &batch.items {
            self.pace.go_on()?;
            self.item(item, buffer, &mut sum)?;
            sum.names += 1;
        }
        Ok((sum, batch.last))
    }

    fn item(&self, item: &Item, buffer: &mut [u8], sum: &mut Sum) -> Result<(), ToldToStop> {
        let entry = &item.entry;
        let there = match look(item.folder.as_fd(), last_part(&entry.path)) {
            Ok(there) => there,
            Err(error) => {
                tell(&entry.path, &error, sum);
                return Ok(());
            }
        };
        let is_file = |kind: &EntryKind| matches!(kind, EntryKind::File { .. });
        let reads =
            item.choice == Choice::Read && is_file(&entry.kind) && is_file(&there.entry.kind);
        let (there, content) = if reads {
            match self.content(item, there, buffer, sum) {
                Ok(found) => found,
                Err(Unread::Stop) => return Err(ToldToStop),
                Err(Unread::Error(error)) => {
                    tell(&entry.path, &error, sum);
                    return Ok(());
                }
            }
        } else {
            (there, Content::Unknown)
        };
        if let Some((what, words)) = compare(entry, &there.entry, content, Attributes::All) {
            sum.find(&entry.path, what, words);
        }
        Ok(())
    }

    fn content(
        &self,
        item: &Item,
        there: Seen,
        buffer: &mut [u8],
        sum: &mut Sum,
    ) -> Result<(Seen, Content), Unread> {
        let wanted = match item.entry.kind {
            EntryKind::File { digest, .. } => digest,
            _ => None,
        };
        if let Some(wanted) = &wanted
            && there.links > 1
            && let Some(same) = self.known.had(there.device, there.inode, wanted)
        {
            return Ok((there, Content::of(same)));
        }
        let name = OsStr::from_bytes(last_part(&item.entry.path));
        let file = open_file(item.folder.as_fd(), name).map_err(Unread::Error)?;
        let ReadFile {
            digest,
            bytes,
            stat,
        } = read_file(&file, self.pace, buffer)?;
        sum.files += 1;
        sum.bytes += bytes;
        let there = seen(&stat);
        if there.links > 1 {
            self.known.learn(there.device, there.inode, &digest);
        }
        let Some(wanted) = wanted else {
            sum.without_digest += 1;
            return Ok((there, Content::Unknown));
        };
        Ok((there, Content::of(digest == wanted)))
    }
}

fn tell(path: &[u8], error: &io::Error, sum: &mut Sum) {
    match error.kind() {
        io::ErrorKind::NotFound | io::ErrorKind::NotADirectory => {
            sum.find(path, What::Missing, "it is not there");
        }
        _ => sum.find(path, What::Unreadable, error.to_string()),
    }
}
