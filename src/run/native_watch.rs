//! Work of hayloft's own on a tree, done by other hands while this one watches for signals, the timeout and the drive.

use std::io;
use std::sync::mpsc::{RecvTimeoutError, channel};
use std::time::Duration;

use tracing::{info, warn};

use super::Executor;
use super::control::{Control, Cut};
use super::watch::Watch;
use crate::jobs::Size;
use crate::plan::{Part, Step, Stop};
use crate::record::Outcome;
use crate::report::counted;
use crate::tree::tally::ReadAgain;
use crate::tree::{Halt, Trouble};

impl Executor<'_> {
    /// Has `work` done by other hands, while this one watches for signals, the timeout and the drive.
    pub(super) fn at_work<T: Send>(
        &self,
        step: &Step,
        work: impl FnOnce(&Halt) -> Result<T, Trouble> + Send,
    ) -> Result<T, Stop> {
        const LOOK: Duration = Duration::from_millis(100);
        let halt = Halt::default();
        let control = Control {
            signal: Some(self.signal.clone()),
            deadline: self.deadline,
        }
        .within(step.timeout);
        let mut watch = (step.part == Part::Copy)
            .then(|| Watch::new(&self.plan.landing, self.reserve, self.held));
        let mut cut: Option<Cut> = None;
        let result = std::thread::scope(|scope| {
            let (tell, told) = channel();
            let halt = &halt;
            scope.spawn(move || tell.send(work(halt)));
            loop {
                match told.recv_timeout(LOOK) {
                    Ok(result) => return Some(result),
                    Err(RecvTimeoutError::Disconnected) => return None,
                    Err(RecvTimeoutError::Timeout) => {}
                }
                let (bytes, files) = halt.so_far();
                self.progress.bytes(bytes);
                self.progress.files(files);
                if cut.is_none() {
                    cut = control
                        .cut()
                        .or_else(|| watch.as_mut().and_then(Watch::glance));
                }
                if cut.is_some() {
                    halt.want();
                }
            }
        });
        let (bytes, _) = halt.so_far();
        info!("  {bytes} bytes read");
        match (result, cut) {
            (Some(Ok(result)), None) => Ok(result),
            (_, Some(cut)) => Err(cut.stop()),
            (Some(Err(trouble)), None) => Err(self.stop_of(&trouble)),
            (None, None) => Err(Stop::new(
                Outcome::Failed,
                "the work ended without a result",
            )),
        }
    }

    pub(super) fn note_gone(&mut self, names: u64) {
        let words = "some files vanished before they could be copied";
        if names > 0 && !self.done.notes.iter().any(|note| note == words) {
            self.done.notes.push(words.to_owned());
        }
    }

    /// Files are read again every night, when they changed just before the last one: only many are worth a word.
    pub(super) fn note_read_again(&mut self, again: ReadAgain) {
        const FILES: u64 = 1000;
        const BYTES: u64 = 1 << 30;
        if again.files == 0 {
            return;
        }
        let words = format!(
            "{} read once more to be sure ({}): size and time were as before, but the inode or its change time was not",
            counted(again.files, "file was", "files were"),
            Size(again.bytes)
        );
        info!("  {words}");
        if again.files > FILES || again.bytes > BYTES {
            self.done.notes.push(words);
        }
    }

    fn stop_of(&self, trouble: &Trouble) -> Stop {
        match trouble {
            Trouble::Drive { error, .. } => {
                if let Err(lost) = self.still_there() {
                    return lost;
                }
                self.drive_error(&io::Error::new(error.kind(), trouble.to_string()))
            }
            Trouble::Index(error) => index_error(error),
            Trouble::Source { .. } | Trouble::Copy { .. } | Trouble::Halted => {
                Stop::new(Outcome::Failed, trouble.to_string())
            }
        }
    }
}

pub(super) fn index_error(error: &io::Error) -> Stop {
    Stop::new(
        Outcome::Failed,
        format!("the index of the source could not be kept: {error}"),
    )
    .advise("look at the free space of `state_dir`")
}

/// A copy that lacks what could not be read is no whole one.
pub(super) fn unreadable(troubles: &[Trouble], more: u64) -> Result<(), Stop> {
    for trouble in troubles {
        warn!("  {trouble}");
    }
    let Some(first) = troubles.first() else {
        return Ok(());
    };
    let more = more + troubles.len() as u64 - 1;
    let mut reason = first.to_string();
    if more > 0 {
        reason = format!("{reason}; and {more} more like it, in the log");
    }
    Err(Stop::new(Outcome::Failed, reason)
        .advise("look at the source's disk and `dmesg`, and whether hayloft runs as root")
        .advise("what cannot be read and is not wanted can be left out with `exclude`"))
}
