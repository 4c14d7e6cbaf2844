//! One mail for one reader, as it waits in the outbox, and when it is tried again.

use jiff::{SignedDuration, Timestamp};
use lettre::Address;
use lettre::address::Envelope;
use serde::{Deserialize, Serialize};

/// RFC 5321 section 4.5.4.1: at least 30 minutes between tries, growing.
const WAITS: [SignedDuration; 4] = [
    SignedDuration::from_mins(30),
    SignedDuration::from_hours(1),
    SignedDuration::from_hours(2),
    SignedDuration::from_hours(4),
];

/// RFC 5321 section 4.5.4.1: give up after at least 4 to 5 days.
const PATIENCE: SignedDuration = SignedDuration::from_hours(5 * 24);

/// The contents of `ID.json`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(super) struct Entry {
    /// The envelope's sender; absent for the empty reverse-path.
    pub from: Option<String>,
    pub to: String,
    /// When it was written into the outbox.
    pub queued: Timestamp,
    pub attempts: u32,
    pub last_try: Option<Timestamp>,
    pub next_try: Timestamp,
    pub last_error: Option<String>,
}

/// What follows from a failed try.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Then {
    TryAgain,
    GiveUp,
}

impl Entry {
    pub fn new(from: Option<&Address>, to: &Address, now: Timestamp) -> Self {
        Self {
            from: from.map(ToString::to_string),
            to: to.to_string(),
            queued: now,
            attempts: 0,
            last_try: None,
            next_try: now,
            last_error: None,
        }
    }

    pub fn envelope(&self) -> Result<Envelope, String> {
        let address = |text: &String| text.parse().map_err(|_| format!("bad address `{text}`"));
        let from = self.from.as_ref().map(address).transpose()?;
        Envelope::new(from, vec![address(&self.to)?]).map_err(|error| error.to_string())
    }

    /// Due at its time, or when the clock was set back behind what has been.
    pub fn is_due(&self, now: Timestamp) -> bool {
        now >= self.next_try || now < self.last_try.unwrap_or(self.queued)
    }

    pub fn failed(&mut self, now: Timestamp, words: &str) -> Then {
        let wait = usize::try_from(self.attempts).unwrap_or(usize::MAX);
        let wait = WAITS[wait.min(WAITS.len() - 1)];
        self.attempts = self.attempts.saturating_add(1);
        self.last_try = Some(now);
        self.next_try = now.checked_add(wait).unwrap_or(now);
        self.last_error = Some(words.to_owned());
        if now.duration_since(self.queued) >= PATIENCE {
            Then::GiveUp
        } else {
            Then::TryAgain
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry() -> Entry {
        let to = "ines@studio.example".parse().unwrap();
        Entry::new(None, &to, "2026-11-25T02:34:10Z".parse().unwrap())
    }

    /// RFC 5321 section 4.5.4.1 (numbers from memory): at least 30 minutes, give up after 4-5 days.
    #[test]
    fn tries_grow_apart_from_half_an_hour_to_four_hours_and_end_after_five_days() {
        let mut entry = entry();
        let mut now = entry.queued;
        let mut waits = Vec::new();
        while entry.failed(now, "connection refused") == Then::TryAgain {
            assert!(!entry.is_due(entry.next_try - SignedDuration::from_secs(1)));
            assert!(entry.is_due(entry.next_try));
            waits.push((entry.next_try.duration_since(now)).as_mins());
            now = entry.next_try;
        }
        assert_eq!(waits[..6], [30, 60, 120, 240, 240, 240]);
        let hours = now.duration_since(entry.queued).as_hours();
        assert!((120..124).contains(&hours), "{hours}");
        assert_eq!(usize::try_from(entry.attempts).unwrap(), waits.len() + 1);
    }

    #[test]
    fn a_mail_that_waited_while_the_server_was_off_is_tried_once_more() {
        let mut entry = entry();
        let late = entry.queued + SignedDuration::from_hours(24 * 30);
        assert!(entry.is_due(late));
        assert_eq!(entry.failed(late, "no route to host"), Then::GiveUp);
    }

    #[test]
    fn a_clock_set_back_does_not_hold_mail_for_years() {
        let mut entry = entry();
        entry.failed("2036-01-01T00:00:00Z".parse().unwrap(), "x");
        assert!(entry.is_due("2026-11-25T03:00:00Z".parse().unwrap()));
    }
}
