//! The outbox: every mail is on disk before it is tried, and until it is delivered or given up.
//!
//! `state_dir/outbox/ID.eml` is the message, `ID.json` what is known about its delivery; the pair
//! exists once the `.json` does. Each reader of a mail has a pair of their own, so that one bad
//! address keeps the report from nobody else. A crash between the server's yes and the removal
//! sends a mail twice, with the same Message-ID, rather than never.

use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::Timestamp;
use lettre::Message;
use rustix::fs::{Access, FlockOperation, access, flock};

use crate::jobs::MailSettings;
use crate::report::{MailFacts, to_json_pretty};

use super::delivery::Pass;
use super::durable::{make_private_folder, sync_folder, write_whole};
use super::entry::Entry;
use super::listing::{entry_ids, load_entry};
use super::session::DEFAULT_TIMEOUT;
use super::{DeliveryReport, MailError};

#[derive(Debug)]
pub struct Outbox {
    folder: PathBuf,
    undelivered: PathBuf,
    timeout: Duration,
}

impl Outbox {
    /// The outbox in `state_dir`, made if it is not there.
    pub fn open(state_dir: &Path) -> Result<Self, MailError> {
        let folder = state_dir.join("outbox");
        let undelivered = folder.join("undelivered");
        make_private_folder(&undelivered)
            .map_err(MailError::outbox("make the folder", &undelivered))?;
        Ok(Self {
            folder,
            undelivered,
            timeout: DEFAULT_TIMEOUT,
        })
    }

    /// How long each of the server's answers may take.
    #[must_use]
    pub fn with_timeout(self, timeout: Duration) -> Self {
        Self { timeout, ..self }
    }

    /// Writes `message` durably, once for each reader. It is due at once.
    pub fn put(&self, message: &Message, now: Timestamp) -> Result<(), MailError> {
        let mail = message.formatted();
        let envelope = message.envelope();
        for to in envelope.to() {
            let id = self.new_id(now)?;
            let entry = Entry::new(envelope.from(), to, now);
            self.write(&format!("{id}.eml"), &mail)?;
            self.save(&id, &entry)?;
        }
        Ok(())
    }

    /// Tries everything that is due. Waits while another process does the same.
    pub fn deliver_due(
        &self,
        settings: &MailSettings,
        now: Timestamp,
    ) -> Result<DeliveryReport, MailError> {
        self.check_writable()?;
        let _lock = self.lock()?;
        let (ids, warnings) = entry_ids(&self.folder)?;
        let mut pass = Pass::new(self, settings, self.timeout, now);
        pass.report.warnings = warnings;
        for id in ids {
            // What goes wrong with one mail must not hold up the others.
            if let Err(error) = pass.visit(&id) {
                pass.report.warnings.push(error.to_string());
            }
        }
        Ok(pass.report)
    }

    /// What waits and what was given up, for the status.
    pub fn waiting(&self) -> Result<MailFacts, MailError> {
        let (ids, mut warnings) = entry_ids(&self.folder)?;
        let (given_up_ids, more) = entry_ids(&self.undelivered)?;
        warnings.extend(more);
        let mut load = |folder: &Path, ids: &[String]| -> Vec<Entry> {
            let loaded = ids.iter().filter_map(|id| match load_entry(folder, id) {
                Ok(entry) => entry,
                Err(warning) => {
                    warnings.push(warning);
                    None
                }
            });
            loaded.collect()
        };
        let waiting = load(&self.folder, &ids);
        let given_up = load(&self.undelivered, &given_up_ids);
        let latest = waiting
            .iter()
            .chain(&given_up)
            .max_by_key(|entry| entry.last_try);
        Ok(MailFacts {
            waiting: amount(waiting.len()),
            oldest: waiting.iter().map(|entry| entry.queued).min(),
            next_try: waiting.iter().map(|entry| entry.next_try).min(),
            undelivered: amount(given_up.len()),
            last_error: latest.and_then(|entry| entry.last_error.clone()),
            folder: self.undelivered.display().to_string(),
            warnings,
        })
    }

    /// Held until dropped; the kernel lets go of it when the process ends (flock(2)).
    fn lock(&self) -> Result<File, MailError> {
        let locked = File::open(&self.folder).and_then(|folder| {
            loop {
                match flock(&folder, FlockOperation::LockExclusive) {
                    Ok(()) => return Ok(folder),
                    Err(rustix::io::Errno::INTR) => {}
                    Err(error) => return Err(io::Error::from(error)),
                }
            }
        });
        locked.map_err(MailError::outbox("lock", &self.folder))
    }

    /// Sorts by time; the random tail keeps two processes apart.
    fn new_id(&self, now: Timestamp) -> Result<String, MailError> {
        let mut random = [0u8; 8];
        rustix::rand::getrandom(&mut random, rustix::rand::GetRandomFlags::empty())
            .map_err(io::Error::from)
            .map_err(MailError::outbox("name a mail in", &self.folder))?;
        let time = now.strftime("%Y%m%dT%H%M%SZ");
        Ok(format!("{time}-{:016x}", u64::from_ne_bytes(random)))
    }

    fn write(&self, name: &str, content: &[u8]) -> Result<(), MailError> {
        write_whole(&self.folder, name, content)
            .map_err(MailError::outbox("write", &self.folder.join(name)))
    }

    /// Where mail waits.
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    pub(super) fn save(&self, id: &str, entry: &Entry) -> Result<(), MailError> {
        let content = to_json_pretty(entry);
        self.write(&format!("{id}.json"), content.as_bytes())
    }

    /// The `.json` first: it is what makes a pair count.
    pub(super) fn remove(&self, id: &str) -> Result<(), MailError> {
        for name in [format!("{id}.json"), format!("{id}.eml")] {
            let path = self.folder.join(name);
            unless_gone(fs::remove_file(&path)).map_err(MailError::outbox("remove", &path))?;
        }
        self.sync()
    }

    pub(super) fn give_up(&self, id: &str) -> Result<(), MailError> {
        for name in [format!("{id}.eml"), format!("{id}.json")] {
            let path = self.folder.join(&name);
            unless_gone(fs::rename(&path, self.undelivered.join(name)))
                .map_err(MailError::outbox("move away", &path))?;
        }
        sync_folder(&self.undelivered).map_err(MailError::outbox("flush", &self.undelivered))?;
        self.sync()
    }

    /// On a read-only file system a mail could be sent but not removed, and would be sent for ever.
    fn check_writable(&self) -> Result<(), MailError> {
        access(&self.folder, Access::WRITE_OK)
            .map_err(io::Error::from)
            .map_err(MailError::outbox("write to", &self.folder))
    }

    fn sync(&self) -> Result<(), MailError> {
        sync_folder(&self.folder).map_err(MailError::outbox("flush", &self.folder))
    }
}

/// A pair that was cut apart by a crash lacks one of its files.
fn unless_gone(done: io::Result<()>) -> io::Result<()> {
    match done {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
        done => done,
    }
}

fn amount(length: usize) -> u64 {
    u64::try_from(length).unwrap_or(u64::MAX)
}
