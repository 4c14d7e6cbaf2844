//! Sleeps until something happens: one poll(2) over signals, a timer and the configuration folder.
//!
//! The timer is a timerfd on `CLOCK_REALTIME`, absolute and with `TFD_TIMER_CANCEL_ON_SET`, see
//! `timerfd_create(2)`: it also wakes the service when the clock is set, and after a suspend. While nothing
//! happens, nothing runs.

use std::io;
use std::os::fd::OwnedFd;
use std::path::Path;
use std::time::{Duration, Instant};

use jiff::{SignedDuration, Timestamp};
use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::io::Errno;
use rustix::time::{
    Itimerspec, TimerfdClockId, TimerfdFlags, TimerfdTimerFlags, timerfd_create, timerfd_settime,
};

use super::signals::Signals;
use super::watch::ConfigWatch;

/// Something besides time that woke the service.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Event {
    Terminate,
    Reload,
    ChildEnded,
    FilesChanged,
    /// There is mail in the outbox that was not there, or was tried.
    MailKept,
    ClockSet,
}

/// Holds what the service can be woken by.
#[derive(Debug)]
pub struct Waiter {
    signals: Signals,
    timer: OwnedFd,
    watch: Option<ConfigWatch>,
}

impl Waiter {
    pub fn new(signals: Signals, watch: Option<ConfigWatch>) -> io::Result<Self> {
        let flags = TimerfdFlags::NONBLOCK | TimerfdFlags::CLOEXEC;
        Ok(Self {
            signals,
            timer: timerfd_create(TimerfdClockId::Realtime, flags)?,
            watch,
        })
    }

    /// Looks at the configuration folders afresh, which may have been replaced.
    pub fn renew_watch(&self) {
        if let Some(watch) = &self.watch {
            watch.renew();
        }
    }

    pub fn watch_outbox(&self, folder: &Path) {
        if let Some(watch) = &self.watch {
            watch.add_outbox(folder);
        }
    }

    /// Sleeps until the system's clock shows `until`, `deadline` comes, or something happens.
    pub fn wait(
        &mut self,
        until: Option<Timestamp>,
        deadline: Option<Instant>,
    ) -> io::Result<Vec<Event>> {
        let mut events = Vec::new();
        if self.set_timer(until)? == Armed::ClockWasSet {
            events.push(Event::ClockSet);
        }
        if events.is_empty() {
            self.sleep(deadline)?;
        }
        self.take(&mut events);
        Ok(events)
    }

    fn sleep(&self, deadline: Option<Instant>) -> io::Result<()> {
        let [a, b, c] = self.signals.descriptors();
        let watch = self.watch.as_ref().map(ConfigWatch::descriptor);
        let mut descriptors: Vec<PollFd<'_>> = [Some(a), Some(b), Some(c), watch]
            .into_iter()
            .flatten()
            .map(|fd| PollFd::from_borrowed_fd(fd, PollFlags::IN))
            .collect();
        descriptors.push(PollFd::new(&self.timer, PollFlags::IN));
        let timeout =
            deadline.map(|deadline| timespec(deadline.saturating_duration_since(Instant::now())));
        match poll(&mut descriptors, timeout.as_ref()) {
            Ok(_) | Err(Errno::INTR) => Ok(()),
            Err(error) => Err(error.into()),
        }
    }

    fn take(&mut self, events: &mut Vec<Event>) {
        // timerfd_create(2): a read fails with ECANCELED when the clock was set.
        if rustix::io::read(&self.timer, &mut [0; 8]) == Err(Errno::CANCELED) {
            events.push(Event::ClockSet);
        }
        if self.signals.take_terminate() {
            events.push(Event::Terminate);
        }
        if self.signals.take_reload() {
            events.push(Event::Reload);
        }
        if self.signals.take_child() {
            events.push(Event::ChildEnded);
        }
        let changes = self.watch.as_ref().map(ConfigWatch::take_changes);
        let changes = changes.unwrap_or_default();
        if changes.files {
            events.push(Event::FilesChanged);
        }
        if changes.mail {
            events.push(Event::MailKept);
        }
    }

    fn set_timer(&self, until: Option<Timestamp>) -> io::Result<Armed> {
        // Without a next time the timer still has to tell of a clock that is set.
        let far = || Timestamp::now().saturating_add(SignedDuration::from_hours(24 * 3650));
        let until = until.or_else(|| far().ok()).unwrap_or(Timestamp::MAX);
        let value = Itimerspec {
            it_interval: timespec(Duration::ZERO),
            it_value: Timespec {
                // Zero would disarm the timer; any time in the past fires at once.
                tv_sec: until.as_second().max(1),
                tv_nsec: until.subsec_nanosecond().max(0).into(),
            },
        };
        let flags = TimerfdTimerFlags::ABSTIME | TimerfdTimerFlags::CANCEL_ON_SET;
        match timerfd_settime(&self.timer, flags, &value) {
            Ok(_) => Ok(Armed::Waiting),
            // The clock was set since the timer was armed before; the new setting holds all the same.
            Err(Errno::CANCELED) => Ok(Armed::ClockWasSet),
            Err(error) => Err(error.into()),
        }
    }
}

#[derive(Debug, PartialEq, Eq)]
enum Armed {
    Waiting,
    ClockWasSet,
}

fn timespec(duration: Duration) -> Timespec {
    Timespec {
        tv_sec: i64::try_from(duration.as_secs()).unwrap_or(i64::MAX),
        tv_nsec: duration.subsec_nanos().into(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn waiter() -> (Waiter, super::super::signals::SignalSender) {
        let (signals, sender) = Signals::injected().unwrap();
        (Waiter::new(signals, None).unwrap(), sender)
    }

    /// Other tests of this process start children, whose ends wake everybody.
    fn others(events: Vec<Event>) -> Vec<Event> {
        events
            .into_iter()
            .filter(|&event| event != Event::ChildEnded)
            .collect()
    }

    #[test]
    fn the_timer_wakes_at_its_time() {
        let (mut waiter, _sender) = waiter();
        let until = Timestamp::now() + SignedDuration::from_millis(80);
        while Timestamp::now() < until {
            assert_eq!(others(waiter.wait(Some(until), None).unwrap()), []);
        }
        assert!(Timestamp::now().duration_since(until) < SignedDuration::from_secs(5));
    }

    #[test]
    fn a_deadline_wakes_when_no_time_is_planned() {
        let (mut waiter, _sender) = waiter();
        let deadline = Instant::now() + Duration::from_millis(50);
        while Instant::now() < deadline {
            assert_eq!(others(waiter.wait(None, Some(deadline)).unwrap()), []);
        }
    }

    #[test]
    fn a_time_in_the_past_wakes_at_once() {
        let (mut waiter, _sender) = waiter();
        let begun = Instant::now();
        waiter.wait(Some(Timestamp::UNIX_EPOCH), None).unwrap();
        assert!(begun.elapsed() < Duration::from_secs(5));
    }

    #[test]
    fn requests_wake_and_are_taken_once() {
        let (mut waiter, mut sender) = waiter();
        sender.reload().unwrap();
        sender.terminate().unwrap();
        let events = others(waiter.wait(None, None).unwrap());
        assert_eq!(events, [Event::Terminate, Event::Reload]);
        let soon = Instant::now() + Duration::from_millis(20);
        assert_eq!(others(waiter.wait(None, Some(soon)).unwrap()), []);
    }
}
