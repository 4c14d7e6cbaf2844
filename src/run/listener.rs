//! Takes in what a pipeline says while it runs: to the log, to the tally, to the bar.

use std::ffi::OsString;
use std::fs;
use std::os::unix::ffi::OsStringExt;
use std::path::Path;

use tracing::{info, warn};

use super::output::Heard;
use super::progress::Progress;
use crate::plan::Reading;
use crate::tools::rsync_output::{Item, Line, Tally, What, read_line};
use crate::tools::tar;

pub struct Listener<'a> {
    reading: &'a Reading,
    tally: &'a mut Tally,
    progress: &'a Progress,
    files: u64,
}

impl<'a> Listener<'a> {
    pub fn new(reading: &'a Reading, tally: &'a mut Tally, progress: &'a Progress) -> Self {
        Self {
            reading,
            tally,
            progress,
            files: 0,
        }
    }

    pub fn hear(&mut self, heard: &Heard) {
        let text = match heard {
            Heard::Error(text) => return warn!("  {text}"),
            Heard::Out(text) => text,
        };
        let since = match self.reading {
            Reading::RsyncListing { since } => *since,
            Reading::RsyncChanges | Reading::RsyncCopy | Reading::RsyncOthers => None,
            Reading::ArchiveNames { below } => return self.archive_name(text, below),
            Reading::Plain | Reading::Optional | Reading::OwnStep | Reading::Tar => {
                return info!("  {text}");
            }
        };
        let line = read_line(text);
        match &line {
            Line::Progress { bytes } => self.progress.bytes(*bytes),
            Line::Item(item) if !item.folder => {
                self.files += 1;
                self.progress.files(self.files);
            }
            Line::Item(_) => {}
            Line::Other => info!("  {text}"),
        }
        self.tally.take(&line, text, since);
    }

    /// A member of an archive that exists at the target, other than as a folder, would be overwritten.
    fn archive_name(&mut self, text: &str, below: &Path) {
        let name = OsString::from_vec(tar::unescape(text.as_bytes()));
        let there = fs::symlink_metadata(below.join(&name));
        let what = match there {
            Ok(there) if !there.is_dir() => What::Changed,
            _ => What::Created,
        };
        let item = Item {
            what,
            folder: text.ends_with('/'),
            length: 0,
            modified: None,
            name: text.to_owned(),
        };
        self.tally.take(&Line::Item(item), text, None);
    }
}
