//! Reads a manifest entry by entry, ours or another program's.

use std::io::BufRead;
use std::iter::FusedIterator;

use super::entry::{Entry, EntryKind};
use super::error::{ManifestError, ManifestTrouble};
use super::keywords::Keywords;
use super::lines::{Lines, Next, is_blank};
use super::place::Place;

/// Gives the entries in the manifest's order; what is wrong with a manifest comes as the last item. In memory
/// there is one line, of at most 1 MiB.
///
/// A manifest that hayloft wrote is proved as it is read: when it was cut short or damaged, the last item is
/// an error, whatever the entries before it said. A manifest of another program ends where it ends.
pub fn read<R: BufRead>(input: R) -> Reader<R> {
    Reader {
        lines: Lines::new(input),
        place: Place::default(),
        set: Keywords::default(),
        entries: 0,
        ours_only: false,
        ended: false,
    }
}

/// See [`read`].
#[derive(Debug)]
pub struct Reader<R> {
    lines: Lines<R>,
    place: Place,
    /// By `/set`.
    set: Keywords,
    entries: u64,
    ours_only: bool,
    ended: bool,
}

impl<R: BufRead> Reader<R> {
    /// Refuses a manifest without the first lines that hayloft writes, so that one whose first lines are
    /// damaged does not pass for another program's.
    #[must_use]
    pub fn ours_only(self) -> Self {
        Self {
            ours_only: true,
            ..self
        }
    }

    fn next_entry(&mut self) -> Result<Option<Entry>, ManifestError> {
        loop {
            let next = self.lines.next()?;
            if self.ours_only && self.entries == 0 && !self.lines.is_ours() {
                return Err(self.lines.error(ManifestTrouble::Foreign));
            }
            let entry = match next {
                Next::Line => self.line(),
                Next::End(told) => {
                    let ended = self.end(told.map(|told| told.entries));
                    return ended.map_err(|trouble| self.lines.error(trouble));
                }
            };
            if let Some(entry) = entry.map_err(|trouble| self.lines.error(trouble))? {
                self.entries += 1;
                return Ok(Some(entry));
            }
        }
    }

    fn end(&self, told: Option<u64>) -> Result<Option<Entry>, ManifestTrouble> {
        let found = self.entries;
        match told {
            Some(told) if told != found => Err(ManifestTrouble::Count { told, found }),
            _ if found == 0 => Err(ManifestTrouble::NoEntry),
            _ => Ok(None),
        }
    }

    /// `None` for a line that is about others.
    fn line(&mut self) -> Result<Option<Entry>, ManifestTrouble> {
        let mut words = words(self.lines.line());
        let Some(first) = words.next() else {
            return Ok(None);
        };
        match first {
            b"/set" => {
                for word in words {
                    self.set.set(word)?;
                }
                Ok(None)
            }
            b"/unset" => {
                words.for_each(|word| self.set.unset(word));
                Ok(None)
            }
            b".." => {
                self.place.leave()?;
                match words.next() {
                    Some(word) => Err(ManifestTrouble::expected("nothing after `..`", word)),
                    None => Ok(None),
                }
            }
            _ => {
                let mut keywords = self.set.clone();
                for word in words {
                    keywords.set(word)?;
                }
                entry(&mut self.place, first, keywords).map(Some)
            }
        }
    }
}

impl<R: BufRead> Iterator for Reader<R> {
    type Item = Result<Entry, ManifestError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.ended {
            return None;
        }
        let next = self.next_entry().transpose();
        self.ended = !matches!(next, Some(Ok(_)));
        next
    }
}

impl<R: BufRead> FusedIterator for Reader<R> {}

fn entry(place: &mut Place, name: &[u8], keywords: Keywords) -> Result<Entry, ManifestTrouble> {
    let path = place.path_of(name)?;
    let told = keywords.told(name)?;
    let is_folder = told.kind == EntryKind::Folder;
    if path.is_empty() && !is_folder {
        let expected = "the root to be a folder";
        return Err(ManifestTrouble::expected(expected, name));
    }
    place.follow(name, &path, is_folder);
    Ok(Entry {
        path,
        kind: told.kind,
        mode: told.mode,
        uid: told.uid,
        gid: told.gid,
        time: told.time,
    })
}

/// The words of a line, up to one that begins a comment. (`mtree` begins one at any `#` without a backslash, but
/// writes none; libarchive knows none behind other words.)
fn words(line: &[u8]) -> impl Iterator<Item = &[u8]> {
    line.split(|&byte| is_blank(byte))
        .filter(|word| !word.is_empty())
        .take_while(|word| word[0] != b'#')
}
