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
use crate::report::{MailFacts, safe_name};

use super::MailError;
use super::durable::{make_private_folder, sync_folder, write_whole};
use super::entry::{Entry, Then};
use super::session::{DEFAULT_TIMEOUT, Refusal, send};

/// A larger `.json` is not one of ours.
const LARGEST_ENTRY: u64 = 64 * 1024;

#[derive(Debug)]
pub struct Outbox {
    folder: PathBuf,
    undelivered: PathBuf,
    timeout: Duration,
}

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
            self.write(&format!("{id}.json"), &json(&entry))?;
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
        let mut pass = Pass {
            outbox: self,
            settings,
            now,
            server_trouble: None,
            report: DeliveryReport {
                warnings,
                ..DeliveryReport::default()
            },
        };
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

    /// The `.json` first: it is what makes a pair count.
    fn remove(&self, id: &str) -> Result<(), MailError> {
        for name in [format!("{id}.json"), format!("{id}.eml")] {
            let path = self.folder.join(name);
            unless_gone(fs::remove_file(&path)).map_err(MailError::outbox("remove", &path))?;
        }
        self.sync()
    }

    fn give_up(&self, id: &str) -> Result<(), MailError> {
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

/// One walk over the outbox.
struct Pass<'a> {
    outbox: &'a Outbox,
    settings: &'a MailSettings,
    now: Timestamp,
    /// What kept the first mail from the server; the others are not tried against it again.
    server_trouble: Option<Refusal>,
    report: DeliveryReport,
}

impl Pass<'_> {
    fn visit(&mut self, id: &str) -> Result<(), MailError> {
        let mut entry = match load_entry(&self.outbox.folder, id) {
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
        self.outbox.write(&format!("{id}.json"), &json(&entry))?;
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
        let path = self.outbox.folder.join(format!("{id}.eml"));
        let mail = fs::read(&path).map_err(|error| {
            Refusal::Later(format!("cannot read `{}`: {error}", path.display()))
        })?;
        let envelope = entry.envelope().map_err(Refusal::Never)?;
        send(self.settings, self.outbox.timeout, &envelope, &mail)
    }

    fn keep(&mut self, entry: &Entry) {
        self.report.kept += 1;
        let next = self.report.next_try.unwrap_or(entry.next_try);
        self.report.next_try = Some(next.min(entry.next_try));
    }
}

/// The ids of all `.json` files in `folder`, oldest first, and a warning for each file that is not ours.
fn entry_ids(folder: &Path) -> Result<(Vec<String>, Vec<String>), MailError> {
    let cannot = |error| MailError::outbox("list", folder)(error);
    let mut ids = Vec::new();
    let mut warnings = Vec::new();
    for entry in fs::read_dir(folder).map_err(cannot)? {
        let entry = entry.map_err(cannot)?;
        let is_file = entry.file_type().map_err(cannot)?.is_file();
        let name = entry.file_name();
        match name.to_str().and_then(|name| name.rsplit_once('.')) {
            Some((id, "json")) if is_file => ids.push(id.to_owned()),
            Some((_, "eml" | "partial")) if is_file => {}
            _ if name == "undelivered" => {}
            _ => warnings.push(format!(
                "`{}/{}` is not a mail of ours and was skipped",
                folder.display(),
                safe_name(name.as_encoded_bytes())
            )),
        }
    }
    ids.sort_unstable();
    Ok((ids, warnings))
}

/// `None` when another process has delivered it meanwhile.
fn load_entry(folder: &Path, id: &str) -> Result<Option<Entry>, String> {
    let path = folder.join(format!("{id}.json"));
    let skipped = |why: String| format!("`{}` was skipped: {why}", path.display());
    let content = match fs::metadata(&path).map(|facts| facts.len()) {
        Ok(length) if length > LARGEST_ENTRY => return Err(skipped("too large".to_owned())),
        Ok(_) => fs::read(&path),
        Err(error) => Err(error),
    };
    match content {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(skipped(error.to_string())),
        Ok(content) => serde_json::from_slice(&content)
            .map(Some)
            .map_err(|error| skipped(error.to_string())),
    }
}

/// A pair that was cut apart by a crash lacks one of its files.
fn unless_gone(done: io::Result<()>) -> io::Result<()> {
    match done {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
        done => done,
    }
}

fn json(entry: &Entry) -> Vec<u8> {
    crate::report::to_json_pretty(entry).into_bytes()
}

fn amount(length: usize) -> u64 {
    u64::try_from(length).unwrap_or(u64::MAX)
}
