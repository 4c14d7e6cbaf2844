//! Asks filefrag(8) where the blocks of files lie, many files at a time.

use std::io;
use std::path::PathBuf;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use super::tally::{FileId, Tally};
use crate::system::ask;
use crate::tools::filefrag;

/// Files that one command is given; execve(2) takes at least 128 KiB of arguments.
const MOST_FILES: usize = 512;
const MOST_BYTES: usize = 100_000;

/// One command looks at few files, but a sick disk is slow.
const PATIENCE: Duration = Duration::from_secs(15 * 60);

/// Files that are still to be asked about.
#[derive(Default)]
pub(super) struct Queue(Mutex<Waiting>);

#[derive(Default)]
struct Waiting {
    ids: Vec<FileId>,
    paths: Vec<PathBuf>,
    bytes: usize,
}

impl Queue {
    /// Puts in a file by its absolute path. Asks when enough have come together.
    pub fn add(&self, id: FileId, path: PathBuf, tally: &Mutex<Tally>) {
        let mut waiting = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        waiting.bytes += path.as_os_str().len() + 1;
        waiting.ids.push(id);
        waiting.paths.push(path);
        if waiting.ids.len() >= MOST_FILES || waiting.bytes >= MOST_BYTES {
            let full = std::mem::take(&mut *waiting);
            drop(waiting);
            full.ask(tally);
        }
    }

    /// Asks about those that are left.
    pub fn finish(self, tally: &Mutex<Tally>) {
        let waiting = self.0.into_inner().unwrap_or_else(PoisonError::into_inner);
        if !waiting.ids.is_empty() {
            waiting.ask(tally);
        }
    }
}

impl Waiting {
    fn ask(self, tally: &Mutex<Tally>) {
        let answer = ask(&filefrag::extents_of(&self.paths), PATIENCE);
        let mut tally = tally.lock().unwrap_or_else(PoisonError::into_inner);
        let answer = match answer {
            Ok(answer) => answer,
            Err(error) => return tally.note(unknown(&error)),
        };
        let extents = filefrag::shared_extents(&self.paths, &answer.stdout);
        for ((id, path), extents) in self.ids.into_iter().zip(&self.paths).zip(extents) {
            match extents {
                Some(extents) => tally.add_extents(id, &extents),
                None => tally.note(format!(
                    "`{}`: whether it shares blocks could not be told",
                    path.display()
                )),
            }
        }
    }
}

fn unknown(error: &io::Error) -> String {
    format!("which files share blocks could not be told: `filefrag`: {error}")
}
