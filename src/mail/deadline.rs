//! Work that has to end: a server that drips one byte a minute keeps every single read in time.

use std::sync::mpsc;
use std::thread;
use std::time::Duration;

/// What `work` comes to, or `None` when it takes longer than `limit`. The thread is then left to
/// end by itself, since a blocked read cannot be interrupted from outside.
pub(super) fn within<T: Send + 'static>(
    limit: Duration,
    work: impl FnOnce() -> T + Send + 'static,
) -> Option<T> {
    let (sender, receiver) = mpsc::channel();
    let started = thread::Builder::new()
        .name("smtp".to_owned())
        .spawn(move || {
            // Nobody listens any more once the limit has passed.
            let _ = sender.send(work());
        });
    started.ok()?;
    receiver.recv_timeout(limit).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn work_that_ends_in_time_gives_its_result_and_other_work_none() {
        assert_eq!(within(Duration::from_secs(20), || 7), Some(7));
        let slow = || thread::sleep(Duration::from_secs(2));
        assert_eq!(within(Duration::from_millis(20), slow), None);
    }
}
