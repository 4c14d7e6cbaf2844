//! Keeps the drive busy while a copy is made: what was written is flushed as the work goes on, and not all at its end.

use std::os::fd::OwnedFd;
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::Duration;

use rustix::fs::syncfs;

use super::Trouble;
use super::halt::Halt;

/// Copied since the last flush, before the next is worth its while.
const BEHIND: u64 = 64 << 20;
const LOOK: Duration = Duration::from_millis(50);

/// Does `work`, and meanwhile flushes the file system of `copy` behind it. What could not be flushed is told here: the
/// kernel tells it only once (syncfs(2)).
///
/// # Errors
/// Those of `work`; what the drive did not take.
pub fn while_flushing<T>(
    copy: &OwnedFd,
    halt: &Halt,
    work: impl FnOnce() -> Result<T, Trouble>,
) -> Result<T, Trouble> {
    std::thread::scope(|scope| {
        let (working, over) = channel();
        let flushing = scope.spawn(move || {
            let flushed = flush_behind(copy, halt, &over);
            if flushed.is_err() {
                halt.want();
            }
            flushed
        });
        let result = work();
        drop(working);
        match flushing.join() {
            Ok(Err(trouble)) => Err(trouble),
            _ => result,
        }
    })
}

fn flush_behind(copy: &OwnedFd, halt: &Halt, over: &Receiver<()>) -> Result<(), Trouble> {
    let mut flushed = 0;
    while over.recv_timeout(LOOK) == Err(RecvTimeoutError::Timeout) {
        let (copied, _) = halt.so_far();
        if copied >= flushed + BEHIND {
            syncfs(copy).map_err(|error| Trouble::drive(b"/", error))?;
            flushed = copied;
        }
    }
    Ok(())
}
