//! How fast a drive may be read, and what ends or holds up the reading; shared by all readers.

use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

use crate::jobs::Size;

/// How often those who wait look around.
const GLANCE: Duration = Duration::from_millis(50);

/// Asked before every piece that is read.
pub struct Pace<'a> {
    rate: Option<u64>,
    /// Until then, all that the rate allows is spent.
    spent_until: Mutex<Instant>,
    /// Bytes asked for so far.
    bytes: AtomicU64,
    /// Whether it is all to end.
    stop: &'a (dyn Fn() -> bool + Sync),
    /// Whether others use the drive now, and the reading is to wait.
    is_busy: &'a (dyn Fn() -> bool + Sync),
    /// Is told how many bytes were read so far.
    heard: &'a (dyn Fn(u64) + Sync),
}

/// The reading is to end.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ToldToStop;

impl<'a> Pace<'a> {
    pub fn new(
        rate: Option<Size>,
        stop: &'a (dyn Fn() -> bool + Sync),
        is_busy: &'a (dyn Fn() -> bool + Sync),
        heard: &'a (dyn Fn(u64) + Sync),
    ) -> Self {
        Self {
            rate: rate.map(Size::bytes),
            spent_until: Mutex::new(Instant::now()),
            bytes: AtomicU64::new(0),
            stop,
            is_busy,
            heard,
        }
    }

    /// Bytes a second, where there is a limit.
    pub fn rate(&self) -> Option<u64> {
        self.rate
    }

    /// Waits until so many bytes more may be read.
    ///
    /// # Errors
    /// [`ToldToStop`]: nothing more is to be read.
    pub fn before(&self, bytes: u64) -> Result<(), ToldToStop> {
        self.go_on()?;
        while (self.is_busy)() {
            std::thread::sleep(GLANCE);
            self.go_on()?;
        }
        (self.heard)(self.bytes.fetch_add(bytes, Ordering::Relaxed) + bytes);
        let Some(rate) = self.rate else {
            return Ok(());
        };
        let until = self.spend(time_for(bytes, rate));
        while let Some(left) = until.checked_duration_since(Instant::now()) {
            self.go_on()?;
            std::thread::sleep(left.min(GLANCE));
        }
        Ok(())
    }

    /// # Errors
    /// [`ToldToStop`]: nothing more is to be read.
    pub fn go_on(&self) -> Result<(), ToldToStop> {
        if (self.stop)() {
            Err(ToldToStop)
        } else {
            Ok(())
        }
    }

    /// Time in which nothing was read is not made up for.
    fn spend(&self, time: Duration) -> Instant {
        let mut until = self
            .spent_until
            .lock()
            .unwrap_or_else(PoisonError::into_inner);
        *until = (*until).max(Instant::now()) + time;
        *until
    }
}

/// How long so many bytes must take at the least.
fn time_for(bytes: u64, rate: u64) -> Duration {
    const LONGEST: u64 = 1_000_000_000 * 86_400 * 365;
    let nanos = u128::from(bytes) * 1_000_000_000 / u128::from(rate.max(1));
    Duration::from_nanos(u64::try_from(nanos).unwrap_or(LONGEST).min(LONGEST))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn reading_is_never_faster_than_the_rate_however_many_read() {
        let pace = Pace::new(Some(Size(2_000_000)), &|| false, &|| false, &|_| {});
        let begun = Instant::now();
        std::thread::scope(|scope| {
            for _ in 0..4 {
                scope.spawn(|| {
                    for _ in 0..10 {
                        pace.before(10_000).unwrap();
                    }
                });
            }
        });
        // 400,000 bytes at 2,000,000 a second
        assert!(begun.elapsed() >= Duration::from_millis(200));
    }

    #[test]
    fn whoever_waits_for_the_rate_or_for_others_is_told_to_stop() {
        let slow = Pace::new(Some(Size(1)), &|| true, &|| false, &|_| {});
        assert_eq!(slow.before(1_000_000), Err(ToldToStop));
        let asked = AtomicU64::new(0);
        let stop = || asked.fetch_add(1, Ordering::Relaxed) > 2;
        let busy = Pace::new(None, &stop, &|| true, &|_| {});
        assert_eq!(busy.before(1), Err(ToldToStop));
    }
}
