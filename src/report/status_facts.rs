//! What there is to say about a server at a glance. Filled by the status reader, worded here.

use jiff::Timestamp;
use serde::Serialize;

use crate::jobs::{KindName, Name};
use crate::keep::forecast::Filling;
use crate::record::{Found, GenerationName, Outcome, ProofKind};

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct StatusFacts {
    pub server: Name,
    pub now: Timestamp,
    /// What a person has to look at, worst first; empty when all is well.
    pub attention: Vec<String>,
    pub jobs: Vec<JobStatus>,
    pub drives: Vec<DriveStatus>,
    /// Absent when no `[mail]` is set up.
    pub mail: Option<MailFacts>,
    /// What the service does, in words: `running since Mon 23 Nov 08:00`, `not running`.
    pub service: String,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct JobStatus {
    pub name: Name,
    pub kind: KindName,
    pub about: String,
    pub last: Option<LastRun>,
    pub last_good: Option<LastGood>,
    pub next: Option<Timestamp>,
    pub running_since: Option<Timestamp>,
    /// The schedule as written.
    pub schedule: Option<String>,
    /// When copies were held against their manifests last; absent when never.
    pub verified: Option<Verified>,
    /// The last rehearsal.
    pub rehearsed: Option<LastRun>,
}

/// The last look at copies of a job.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Verified {
    pub at: Timestamp,
    pub kind: ProofKind,
    /// What is still not as it should be in copies that are kept, whichever look found it.
    pub open: Vec<OpenFindings>,
}

/// What was found in one copy, and neither mended nor found well since.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct OpenFindings {
    pub generation: GenerationName,
    pub found: Found,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LastRun {
    pub id: String,
    pub outcome: Outcome,
    pub ended: Timestamp,
    /// The reason given in the record; may be empty.
    pub words: String,
}

/// The newest generation that is whole.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct LastGood {
    pub generation: GenerationName,
    pub ended: Timestamp,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DriveStatus {
    pub name: Name,
    /// The path, or `user@host:path`.
    pub address: String,
    pub ready: DriveReadiness,
    /// `ready`, `not attached`, …
    pub words: String,
    pub space: Option<DriveSpace>,
    pub offsite: bool,
    /// How it fills, by the record; absent when that cannot be read.
    pub filling: Option<Filling>,
    /// Absent when nothing says that it is to be re-read.
    pub reread: Option<RereadStatus>,
}

/// How far re-reading a drive has come.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RereadStatus {
    /// As in the file: `3 months`.
    pub within: String,
    /// Absent before the first part.
    pub round: Option<RoundStatus>,
    pub next: Option<Timestamp>,
}

#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct RoundStatus {
    pub started: Timestamp,
    pub due: Timestamp,
    pub finished: Option<Timestamp>,
    /// It is not through, and should be.
    pub is_late: bool,
    pub files: u64,
    pub bytes: u64,
    /// From 0 to 1.
    pub done: f64,
    /// How much of what lies on the drive was never re-read, from 0 to 1.
    pub never: f64,
    /// All else was re-read then or later.
    pub since: Option<Timestamp>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum DriveReadiness {
    Ready,
    NotReady,
    /// Not looked at, such as a host that is only asked when a job runs.
    Unknown,
}

/// In bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct DriveSpace {
    pub total: u64,
    pub free: u64,
    pub reserve: u64,
}

/// Mail that has not reached its reader.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct MailFacts {
    /// Still being tried.
    pub waiting: u64,
    /// When the longest waiting one was written.
    pub oldest: Option<Timestamp>,
    pub next_try: Option<Timestamp>,
    /// Given up, and lying in `folder`.
    pub undelivered: u64,
    pub last_error: Option<String>,
    /// Where undelivered mail lies.
    pub folder: String,
    /// Files in the outbox that could not be read.
    pub warnings: Vec<String>,
}

impl StatusFacts {
    /// Whether the exit code of `hayloft status` should say that a person is needed.
    pub fn needs_attention(&self) -> bool {
        !self.attention.is_empty()
            || self.jobs.iter().any(JobStatus::needs_attention)
            || self
                .drives
                .iter()
                .any(|drive| drive.ready == DriveReadiness::NotReady)
            || self.mail.as_ref().is_some_and(MailFacts::needs_attention)
    }
}

impl JobStatus {
    pub fn needs_attention(&self) -> bool {
        self.last
            .as_ref()
            .is_some_and(|last| !last.outcome.is_well())
    }
}

impl MailFacts {
    pub fn needs_attention(&self) -> bool {
        self.waiting > 0 || self.undelivered > 0 || !self.warnings.is_empty()
    }
}
