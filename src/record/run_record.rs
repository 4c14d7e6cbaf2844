//! Everything there is to tell about one run. The report quotes this and computes nothing.

use jiff::Timestamp;
use serde::{Deserialize, Serialize};

use super::{Exported, Form, GenerationName, Outcome, Proof};
use crate::jobs::{KindName, Name};

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunRecord {
    /// Unique, sorts by time: `20261125T023000Z-studio-files`, with `-2` and so on behind it when taken.
    pub id: String,
    pub server: Name,
    pub job: Name,
    pub kind: KindName,
    /// What the run was for.
    #[serde(default)]
    pub task: Task,
    pub about: String,
    pub trigger: Trigger,
    pub started: Timestamp,
    /// Absent while the run goes on.
    pub ended: Option<Timestamp>,
    /// Absent while the run goes on.
    pub outcome: Option<Outcome>,
    /// What happened, in one or two sentences.
    pub reason: String,
    /// What a person should do now; empty when nothing.
    pub advice: Vec<String>,
    /// Worth knowing, no action needed.
    pub notes: Vec<String>,
    pub drive: Name,
    /// Where the copy is, as a person would type it: a path, or `user@host:path`.
    pub landing: String,
    pub generation: Option<GenerationName>,
    pub form: Option<Form>,
    pub changes: Option<Changes>,
    /// What an export holds.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub exported: Vec<Exported>,
    pub steps: Vec<StepRecord>,
    /// Generations looked at by retention after this run, newest first.
    pub decisions: Vec<Decision>,
    pub space: Option<DriveUse>,
    /// What was found out about copies, by a run whose task is to look.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub proofs: Vec<Proof>,
    /// Last lines of the log; filled when the run did not go well.
    pub log_tail: Vec<String>,
    /// The full log, on the server.
    pub log_file: String,
    /// The next scheduled time.
    pub next: Option<Timestamp>,
}

/// What a run is for.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Task {
    /// The job itself.
    #[default]
    Copy,
    /// Re-reading copies of the job, asked for by a person.
    Verify,
    /// Re-reading a part of a drive, by its `reread`.
    Slice,
    /// Loading an export into the service of this server.
    Load,
    /// Loading an export into a service made for the purpose.
    Rehearse,
}

impl Task {
    /// As in the record.
    pub fn word(self) -> &'static str {
        match self {
            Self::Copy => "copy",
            Self::Verify => "verify",
            Self::Slice => "slice",
            Self::Load => "load",
            Self::Rehearse => "rehearse",
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "by")]
pub enum Trigger {
    /// Asked for on the command line.
    Hand,
    /// The schedule, at its time.
    Schedule { planned: Timestamp },
    /// The schedule, after its time had been missed.
    CatchUp { planned: Timestamp },
}

/// What a run found different from the generation before.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Changes {
    /// Entries of every type in the source.
    pub files: u64,
    /// Length of all files, in bytes.
    pub bytes: u64,
    pub created: u64,
    pub changed: u64,
    pub vanished: u64,
    /// Bytes of new and changed files.
    pub new_bytes: u64,
}

/// One step of the plan, as it went.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StepRecord {
    pub words: String,
    /// The commands as run, quoted for a shell; empty for what hayloft does itself.
    pub commands: Vec<String>,
    pub ended_well: bool,
    /// `exit status 0`, `killed by signal 15`, `ran out of time`, …
    pub status: String,
    pub seconds: f64,
}

/// Why one generation is kept or retired.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Decision {
    pub generation: GenerationName,
    pub kept: bool,
    pub why: String,
}

/// A drive's space in bytes, after the run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct DriveUse {
    pub total: u64,
    pub free: u64,
    pub reserve: u64,
    /// What all generations of this job take, where it was measured.
    pub job_use: Option<u64>,
    pub cap: Option<u64>,
}
