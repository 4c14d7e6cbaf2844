//! The one clock: where every "now" comes from.

use jiff::{SignedDuration, Timestamp};

/// Tells the time. The service, tests and trials each bring their own.
pub trait Clock {
    fn now(&self) -> Timestamp;

    /// When the system's clock shows the moment at which this one shows `time`: for timers of the kernel.
    fn to_system(&self, time: Timestamp) -> Timestamp;
}

/// The system's clock, `CLOCK_REALTIME`.
#[derive(Debug, Clone, Copy, Default)]
pub struct SystemClock;

impl Clock for SystemClock {
    fn now(&self) -> Timestamp {
        Timestamp::now()
    }

    fn to_system(&self, time: Timestamp) -> Timestamp {
        time
    }
}

/// Starts at a chosen instant and then flows with the system's clock.
#[derive(Debug, Clone, Copy)]
pub struct ShiftedClock {
    /// What to add to the system's clock.
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
        shift(Timestamp::now(), self.offset)
    }

    fn to_system(&self, time: Timestamp) -> Timestamp {
        shift(time, -self.offset)
    }
}

fn shift(time: Timestamp, by: SignedDuration) -> Timestamp {
    time.saturating_add(by).unwrap_or(time)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_shifted_clock_starts_where_told_and_flows() {
        let start: Timestamp = "2026-03-29T00:59:58Z".parse().unwrap();
        let clock = ShiftedClock::starting_at(start);
        let first = clock.now();
        std::thread::sleep(std::time::Duration::from_millis(20));
        let passed = clock.now().duration_since(first).as_millis();
        assert!(first.duration_since(start) < SignedDuration::from_secs(5));
        assert!((15..5000).contains(&passed), "{passed} ms");
    }

    #[test]
    fn a_time_of_a_shifted_clock_is_found_again_on_the_systems_clock() {
        let clock = ShiftedClock::starting_at("2026-03-29T00:59:58Z".parse().unwrap());
        let ahead = SignedDuration::from_hours(5);
        let system = clock.to_system(clock.now() + ahead);
        let off = system.duration_since(Timestamp::now() + ahead).abs();
        assert!(off < SignedDuration::from_secs(5), "{off:?}");
    }
}
