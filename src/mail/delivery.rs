//! One pass over the outbox: what is due is tried, and what follows is written down.

use std::fs;
use std::time::Duration;

use jiff::Timestamp;

use crate::jobs::MailSettings;

use super::entry::{Entry, Then};
use super::listing::load_entry;
use super::session::{Refusal, send};
use super::{MailError, Outbox};

/// What one pass over the outbox did.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct DeliveryReport {
    pub sent: u64,
    /// Still waiting, due or not.
    pub kept: u64,
    /// Moved to `undelivered/`.
    pub given_up: u64,
    /// The earliest time anything is due again.
    pub next_try: Option<Timestamp>,
    pub last_error: Option<String>,
    /// Files that were skipped, and why.
    pub warnings: Vec<String>,
}

/// One walk over the outbox.
pub(super) struct Pass<'a> {
    outbox: &'a Outbox,
    settings: &'a MailSettings,
    timeout: Duration,
    now: Timestamp,
    /// What kept the first mail from the server; the others are not tried against it again.
    server_trouble: Option<Refusal>,
    pub report: DeliveryReport,
}

impl<'a> Pass<'a> {
    pub fn new(
        outbox: &'a Outbox,
        settings: &'a MailSettings,
        timeout: Duration,
        now: Timestamp,
    ) -> Self {
        Self {
            outbox,
            settings,
            timeout,
            now,
            server_trouble: None,
            report: DeliveryReport::default(),
        }
    }

    pub fn visit(&mut self, id: &str) -> Result<(), MailError> {
        let mut entry = match load_entry(self.outbox.folder(), id) {
            Ok(Some(entry)) => entry,
            Ok(None) => return Ok(()),
            Err(warning) => {
                self.report.warnings.push(warning);
                return Ok(());
            }
        };
        if !entry.is_due(self.now) {
            self.keep(&entry);
            return Ok(());
        }
        let Err(refusal) = self.hand_over(id, &entry) else {
            self.report.sent += 1;
            return self.outbox.remove(id);
        };
        self.report.last_error = Some(refusal.words().to_owned());
        let then = entry.failed(self.now, refusal.words());
        self.outbox.save(id, &entry)?;
        if then == Then::GiveUp || matches!(refusal, Refusal::Never(_)) {
            self.report.given_up += 1;
            self.outbox.give_up(id)?;
        } else {
            self.keep(&entry);
        }
        if matches!(refusal, Refusal::Server(_)) {
            self.server_trouble = Some(refusal);
        }
        Ok(())
    }

    fn hand_over(&self, id: &str, entry: &Entry) -> Result<(), Refusal> {
        if let Some(refusal) = &self.server_trouble {
            return Err(refusal.clone());
        }
        let path = self.outbox.folder().join(format!("{id}.eml"));
        let mail = fs::read(&path).map_err(|error| {
            Refusal::Later(format!("cannot read `{}`: {error}", path.display()))
        })?;
        let envelope = entry.envelope().map_err(Refusal::Never)?;
        send(self.settings, self.timeout, envelope, mail)
    }

    fn keep(&mut self, entry: &Entry) {
        self.report.kept += 1;
        let next = self.report.next_try.unwrap_or(entry.next_try);
        self.report.next_try = Some(next.min(entry.next_try));
    }
}
