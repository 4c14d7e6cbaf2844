//! Goes through a manifest and the tree beside it at once, and hands out what is to be looked at in batches.
//!
//! Memory holds the folders on the way to the present name and no more.

use std::io;
use std::os::fd::{AsFd, OwnedFd};
use std::sync::Arc;

use super::chosen::{Choice, Chosen};
use super::compare::{Attributes, Content, compare};
use super::folder::{Names, all_below, last_part, look_at_folder, open_folder};
use super::ledger::Sum;
use crate::prove::manifest::{Entry, EntryKind};
use crate::record::What;

/// A batch ends with so many names …
const NAMES: usize = 128;
/// … or so many bytes to read.
const BYTES: u64 = 8 << 20;

/// A name that is to be looked at.
#[derive(Debug)]
pub struct Item {
    /// The folder that it is in.
    pub folder: Arc<OwnedFd>,
    pub entry: Entry,
    pub choice: Choice,
}

/// Names that one reader looks at, one after another.
#[derive(Debug)]
pub struct Batch {
    pub number: u64,
    pub items: Vec<Item>,
    /// What the walk itself has found meanwhile.
    pub sum: Sum,
    /// All names of the manifest up to this one are in this batch or those before it.
    pub last: Vec<u8>,
}

/// A folder on the way to the present name.
#[derive(Debug)]
struct Frame {
    path: Vec<u8>,
    /// Absent for one that the manifest does not tell of.
    entry: Option<Entry>,
    folder: Place,
    names: Names,
    /// Names are missing here: the time of the folder tells nothing more.
    disturbed: bool,
}

/// A folder is opened when something in it is to be looked at.
#[derive(Debug, Clone)]
enum Place {
    NotYet,
    Open(Arc<OwnedFd>),
    /// Why it cannot be opened.
    Closed(io::ErrorKind, String),
}

/// What lies in the root beside the names of the manifest.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Root {
    /// The root is the copy: anything else in it is extra.
    Copy,
    /// The root is the job's folder, and the copy is a file in it.
    JobFolder,
}

pub struct Walk<R> {
    entries: R,
    chosen: Chosen,
    root: Root,
    /// A batch ends with so many bytes to read.
    batch_bytes: u64,
    attributes: Attributes,
    frames: Vec<Frame>,
    number: u64,
    /// The manifest could not be read to its end.
    broken: bool,
    is_over: bool,
}

impl<R, E> Walk<R>
where
    R: Iterator<Item = Result<Entry, E>>,
    E: std::fmt::Display,
{
    pub fn new(entries: R, tree: OwnedFd, root: Root, chosen: Chosen) -> Self {
        let frame = Frame {
            path: Vec::new(),
            entry: None,
            folder: Place::Open(Arc::new(tree)),
            names: Names::default(),
            disturbed: false,
        };
        Self {
            entries,
            chosen,
            root,
            batch_bytes: BYTES,
            attributes: Attributes::All,
            frames: vec![frame],
            number: 0,
            broken: false,
            is_over: false,
        }
    }

    /// Makes batches that take no longer than about a second where reading is held to a rate, in bytes a second: a
    /// batch that was begun and not done is read again.
    pub fn at_rate(mut self, rate: Option<u64>) -> Self {
        self.batch_bytes = rate.map_or(BYTES, |rate| rate.clamp(1, BYTES));
        self
    }

    /// How it went, once no batch follows.
    pub fn chosen(&self) -> &Chosen {
        &self.chosen
    }

    /// The next batch; `None` when the manifest is at its end or no more is wanted.
    pub fn next_batch(&mut self) -> Option<Batch> {
        if self.is_over {
            return None;
        }
        let mut batch = Batch {
            number: self.number,
            items: Vec::new(),
            sum: Sum::default(),
            last: Vec::new(),
        };
        let (mut bytes, mut passed) = (0, 0);
        while batch.items.len() < NAMES && bytes < self.batch_bytes && passed < 100 * NAMES {
            match self.entries.next() {
                None => {
                    self.end(&mut batch.sum);
                    break;
                }
                Some(Err(error)) => {
                    let words = format!("{error}; what it tells from there on was not checked");
                    batch.sum.find(b"", What::Manifest, words);
                    self.broken = true;
                    self.end(&mut batch.sum);
                    break;
                }
                Some(Ok(entry)) => {
                    passed += 1;
                    batch.last.clone_from(&entry.path);
                    bytes += self.take(entry, &mut batch);
                    if self.chosen.is_enough() {
                        self.is_over = true;
                        break;
                    }
                }
            }
        }
        self.number += 1;
        Some(batch)
    }

    /// Gives how many bytes are to be read of it.
    fn take(&mut self, entry: Entry, batch: &mut Batch) -> u64 {
        if entry.path.is_empty() {
            return 0;
        }
        if !is_below(&entry.path) {
            let words = "the manifest names a path that is not within the copy";
            batch.sum.find(&entry.path, What::Manifest, words);
            return 0;
        }
        self.leave_folders(&entry.path, &mut batch.sum);
        self.enter_folders(&entry.path);
        if let Some(frame) = self.frames.last_mut() {
            frame.names.add(last_part(&entry.path));
        }
        if entry.kind == EntryKind::Folder {
            self.take_folder(&entry, batch);
            return 0;
        }
        // a folder that is needed to tell whether the file is shared is opened for that
        let before = self.chosen.before(&entry);
        let choice = match before {
            Choice::IfNotShared => {
                let folder = self.folder().ok();
                self.chosen.if_not_shared(folder.as_deref(), &entry)
            }
            other => other,
        };
        if choice == Choice::Nothing {
            return 0;
        }
        match self.folder() {
            Ok(folder) => {
                let bytes = match (choice, &entry.kind) {
                    (Choice::Read, EntryKind::File { size, .. }) => *size,
                    _ => 0,
                };
                batch.items.push(Item {
                    folder,
                    entry,
                    choice,
                });
                bytes
            }
            Err((kind, words)) => {
                batch.sum.names += 1;
                self.cannot_reach(&entry.path, kind, &words, &mut batch.sum);
                0
            }
        }
    }

    fn take_folder(&mut self, entry: &Entry, batch: &mut Batch) {
        let choice = self.chosen.before(entry);
        self.frames.push(Frame {
            path: entry.path.clone(),
            entry: Some(entry.clone()),
            folder: Place::NotYet,
            names: Names::default(),
            disturbed: false,
        });
        if choice == Choice::Nothing {
            return;
        }
        batch.sum.names += 1;
        if let Err((kind, words)) = self.folder() {
            self.cannot_reach(&entry.path, kind, &words, &mut batch.sum);
        }
    }

    /// Tells of a name that cannot be looked at since its folder, or itself, cannot be opened.
    fn cannot_reach(&mut self, path: &[u8], kind: io::ErrorKind, words: &str, sum: &mut Sum) {
        match kind {
            io::ErrorKind::NotFound => sum.find(path, What::Missing, "it is not there"),
            // a link that is not followed gives the same error (open(2))
            io::ErrorKind::NotADirectory => {
                sum.find(path, What::Changed, "what should be a folder is none");
            }
            _ => sum.find(path, What::Unreadable, words),
        }
        if let [.., parent, own] = self.frames.as_mut_slice()
            && own.path == path
        {
            parent.disturbed = true;
        }
    }

    /// Opens the folder of the present name, and those above it as needed.
    fn folder(&mut self) -> Result<Arc<OwnedFd>, (io::ErrorKind, String)> {
        let first = self
            .frames
            .iter()
            .rposition(|frame| !matches!(frame.folder, Place::NotYet));
        let first = first.unwrap_or(0);
        for index in first + 1..self.frames.len() {
            let (above, below) = self.frames.split_at_mut(index);
            let (Some(parent), Some(frame)) = (above.last(), below.first_mut()) else {
                continue;
            };
            frame.folder = match &parent.folder {
                Place::Open(parent) => match open_folder(parent.as_fd(), last_part(&frame.path)) {
                    Ok(opened) => Place::Open(Arc::new(opened)),
                    Err(error) => Place::Closed(error.kind(), error.to_string()),
                },
                closed => closed.clone(),
            };
        }
        match self.frames.last().map(|frame| &frame.folder) {
            Some(Place::Open(folder)) => Ok(Arc::clone(folder)),
            Some(Place::Closed(kind, words)) => Err((*kind, words.clone())),
            _ => Err((io::ErrorKind::Other, "the folder was not opened".to_owned())),
        }
    }

    /// Leaves every folder that `path` is not in.
    fn leave_folders(&mut self, path: &[u8], sum: &mut Sum) {
        while self.frames.len() > 1
            && !self
                .frames
                .last()
                .is_some_and(|frame| is_in(path, &frame.path))
        {
            self.leave_last(sum);
        }
    }

    /// Enters the folders between the present one and `path`, of which the manifest did not tell.
    fn enter_folders(&mut self, path: &[u8]) {
        let above = self.frames.last().map_or(0, |frame| frame.path.len());
        let begin = if above == 0 { 0 } else { above + 1 };
        let rest = path.get(begin..).unwrap_or_default();
        let slashes = rest.iter().enumerate().filter(|(_, byte)| **byte == b'/');
        for (at, _) in slashes.collect::<Vec<_>>() {
            let folder = path[..begin + at].to_vec();
            if let Some(frame) = self.frames.last_mut() {
                frame.names.add(last_part(&folder));
            }
            self.frames.push(Frame {
                path: folder,
                entry: None,
                folder: Place::NotYet,
                names: Names::default(),
                disturbed: false,
            });
        }
    }

    fn end(&mut self, sum: &mut Sum) {
        while !self.frames.is_empty() {
            self.leave_last(sum);
        }
        self.is_over = true;
    }

    /// The manifest has told all names of this folder: what else is in it, and is it as it should be?
    fn leave_last(&mut self, sum: &mut Sum) {
        let is_unlooked_root = self.frames.len() == 1 && self.root == Root::JobFolder;
        let is_wanted = !self.broken && self.chosen.looks_at_folders() && !is_unlooked_root;
        let opened = if is_wanted { self.folder().ok() } else { None };
        let (Some(mut frame), Some(folder)) = (self.frames.pop(), opened) else {
            return;
        };
        let folder = folder.as_ref();
        match frame.names.compare(folder.as_fd()) {
            Ok(compared) => {
                frame.disturbed |= compared.lacks_some || !compared.others.is_empty();
                for name in compared.others {
                    tell_extra(folder, &frame.path, &name, sum);
                }
            }
            Err(error) => sum.find(&frame.path, What::Unreadable, error.to_string()),
        }
        let Some(entry) = &frame.entry else { return };
        let attributes = match self.attributes {
            Attributes::All if frame.disturbed => Attributes::AllButTime,
            other => other,
        };
        match look_at_folder(folder.as_fd()) {
            Ok(seen) => {
                if let Some((what, words)) =
                    compare(entry, &seen.entry, Content::Unknown, attributes)
                {
                    sum.find(&frame.path, what, words);
                }
            }
            Err(error) => sum.find(&frame.path, What::Unreadable, error.to_string()),
        }
    }
}

fn tell_extra(folder: &OwnedFd, path: &[u8], name: &[u8], sum: &mut Sum) {
    let whole = match path {
        [] => name.to_vec(),
        path => [path, b"/", name].concat(),
    };
    let words = "it is not in the manifest";
    sum.find(&whole, What::Extra, words);
    let mut each = |below: &[u8]| sum.find(below, What::Extra, words);
    if let Err(error) = all_below(folder.as_fd(), &whole, &mut each) {
        sum.find(&whole, What::Unreadable, error.to_string());
    }
}

/// Whether a path is one below a folder, given as a manifest gives it.
fn is_in(path: &[u8], folder: &[u8]) -> bool {
    folder.is_empty()
        || path
            .strip_prefix(folder)
            .is_some_and(|rest| rest.starts_with(b"/"))
}

/// No empty parts, and none that leads out.
fn is_below(path: &[u8]) -> bool {
    path.split(|byte| *byte == b'/')
        .all(|part| !part.is_empty() && part != b"." && part != b"..")
}
