//! Tells systemd how the service is, by `sd_notify(3)`. Without systemd nothing is sent.

use std::time::{Duration, Instant};

use sd_notify::NotifyState;

/// The line to the service manager.
#[derive(Debug)]
pub(super) struct ServiceManager {
    /// Half of `WATCHDOG_USEC`, as `sd_watchdog_enabled(3)` recommends.
    beat_every: Option<Duration>,
    next_beat: Option<Instant>,
    status: String,
}

impl ServiceManager {
    pub fn from_environment() -> Self {
        let beat_every = sd_notify::watchdog_enabled().map(|time| time / 2);
        Self {
            beat_every,
            next_beat: beat_every.map(|_| Instant::now()),
            status: String::new(),
        }
    }

    pub fn ready() {
        send(&[NotifyState::Ready]);
    }

    pub fn reloading() {
        // `Type=notify-reload` wants the time with it, see sd_notify(3).
        match NotifyState::monotonic_usec_now() {
            Ok(time) => send(&[NotifyState::Reloading, time]),
            Err(_) => send(&[NotifyState::Reloading]),
        }
    }

    pub fn stopping() {
        send(&[NotifyState::Stopping]);
    }

    /// Shown by `systemctl status`; sent only when it changed.
    pub fn status(&mut self, status: String) {
        if status != self.status {
            send(&[NotifyState::Status(&status)]);
            self.status = status;
        }
    }

    /// Sends the watchdog's sign of life when it is time; gives the time of the next.
    pub fn beat(&mut self, now: Instant) -> Option<Instant> {
        if self.next_beat.is_some_and(|next| next <= now) {
            send(&[NotifyState::Watchdog]);
            self.next_beat = self.beat_every.map(|every| now + every);
        }
        self.next_beat
    }
}

fn send(states: &[NotifyState<'_>]) {
    if let Err(error) = sd_notify::notify(states) {
        tracing::debug!("cannot reach the service manager: {error}");
    }
}
