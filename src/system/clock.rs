//! The one clock. Everything that needs the time is given it.

use jiff::{SignedDuration, Timestamp};

pub trait Clock {
    fn now(&self) -> Timestamp;
}

/// The system's real-time clock.
#[derive(Debug, Clone, Copy, Default)]
pub struct SystemClock;

impl Clock for SystemClock {
    fn now(&self) -> Timestamp {
        Timestamp::now()
    }
}

/// A clock that was set to some instant when it was made and has flowed since: for tests and trials.
#[derive(Debug, Clone, Copy)]
pub struct ShiftedClock {
    offset: SignedDuration,
}

impl ShiftedClock {
    pub fn starting_at(instant: Timestamp) -> Self {
        Self {
            offset: instant.duration_since(Timestamp::now()),
        }
    }
}

impl Clock for ShiftedClock {
    fn now(&self) -> Timestamp {
        Timestamp::now() + self.offset
    }
}
