//! A plan and its steps: comparable data, no handles.

use std::fmt::Write as _;
use std::path::PathBuf;
use std::time::Duration;

use jiff::Timestamp;

use super::native::Native;
use super::{Argv, Landing, Member, Mend, Stop, Told, Verify};
use crate::jobs::{KindName, Name, On, Percent};
use crate::record::{Form, Generation, GenerationName};

/// What a run will do, in order.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Plan {
    pub job: Name,
    pub kind: KindName,
    pub at: Timestamp,
    pub landing: Landing,
    pub generation: GenerationName,
    pub form: Form,
    /// The generation that unchanged files are shared with, or compared to.
    pub against: Option<Generation>,
    /// What is not copied, and other things to know beforehand.
    pub notes: Vec<String>,
    /// Reasons why the steps must not run. Empty when all is well.
    pub stops: Vec<Stop>,
    pub steps: Vec<Step>,
    /// How long all steps but the post steps may take together.
    pub timeout: Option<Duration>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Step {
    pub words: String,
    pub part: Part,
    /// Given the run so far.
    pub on: On,
    pub timeout: Option<Duration>,
    pub act: Act,
}

/// What a step is for. Only `Pre` and `Post` come from the job file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Part {
    Pre,
    /// Reads only. A dry run does this part, and no other.
    Measure,
    Copy,
    Post,
    Retire,
    Restore,
    Verify,
    Mend,
    /// In a place of its own, which is gone afterwards.
    Rehearse,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Act {
    Tool(Pipeline),
    Drive(DriveAct),
    /// Compares what was measured with what the job allows and the drive has room for.
    Check(Check),
    /// Stops when files at the target differ from those to be brought back.
    RefuseExisting {
        target: PathBuf,
    },
    Catalogue(CatalogueAct),
    Native(Native),
    /// Re-reads copies and holds them against their manifests; writes nothing to the drive.
    Verify(Verify),
    /// Gives a damaged file the content of a good copy.
    Mend(Box<Mend>),
}

/// What is held against the measured changes before anything is copied.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Check {
    pub guard: Option<Percent>,
    pub need: Need,
    /// Bytes to stay free on the drive.
    pub reserve: u64,
    /// What gives room when there is too little: leftovers that would otherwise be shared with.
    pub give_up: Vec<Step>,
}

/// How much room a copy will take.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Need {
    /// What is new or changed.
    NewBytes,
    /// An archive: the whole source, shrunk as much as the last one was.
    Archive,
}

/// Changes to the record and to the drive's catalogue.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum CatalogueAct {
    /// A mirror is no longer as it was, and not yet as it will be.
    Updating,
    /// The generation being made is whole.
    Whole,
    Retired(Vec<GenerationName>),
}

/// Work on a local drive, within the job's folder, through a folder held open since its identity was checked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum DriveAct {
    MakeFolder,
    Flush,
    /// Never replaces: a taken name is an error.
    Rename {
        from: PathBuf,
        to: PathBuf,
    },
    /// A file, or a folder with all in it; stays on the drive's file system, follows no link.
    Remove(PathBuf),
}

/// Commands joined by pipes, each an argv.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pipeline {
    pub stages: Vec<Argv>,
    pub stdin: Stdin,
    pub stdout: Stdout,
    pub reading: Reading,
    /// Waits between tries after an end that is worth another try, such as a broken connection.
    pub retries: Vec<Duration>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Stdin {
    Nothing,
    /// A file in the job's folder.
    File(PathBuf),
    /// The first line of a file, which is a secret: without its end.
    FirstLine(PathBuf),
    /// A member of an export that was taken apart or is being made.
    Member(String),
    /// All members of the export that is being made, as a tar archive, with a list that tells of them.
    Members(Told),
    /// The names that an earlier step left to this one, each with a NUL behind it. With none, it is not run.
    Names,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Stdout {
    /// Read line by line, as `Pipeline::reading` says.
    Read,
    /// A new file in the job's folder, readable by its owner only.
    NewFile(PathBuf),
    /// Kept as a member of the export.
    Member(Member),
    /// A tar archive that is taken apart into the members of an export.
    Members,
}

/// Whose output and exit statuses these are: the tool's file in `tools` tells what they mean.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Reading {
    /// Exit status 0 is well; every line goes to the log.
    Plain,
    /// As [`Reading::Plain`], but a program that fails is told, and the rest goes on.
    Optional,
    /// A step of the administrator's own: as [`Reading::Plain`], and nothing more is read into its end.
    OwnStep,
    /// rsync's itemized changes and statistics.
    RsyncChanges,
    /// rsync's list of a source; entries modified at or after this instant count as changed.
    RsyncListing { since: Option<Timestamp> },
    /// rsync copying: changes are counted, progress is shown.
    RsyncCopy,
    /// rsync copying some names of what was surveyed before.
    RsyncOthers,
    /// tar writing an archive, here or on another host, with filters behind it.
    Tar,
    /// tar's list of names, escaped as in C: those that exist below this folder count as changed.
    ArchiveNames { below: PathBuf },
}

impl Pipeline {
    /// One command whose lines go to the log and whose exit status 0 is well.
    pub fn plain(argv: Argv) -> Self {
        Self {
            stages: vec![argv],
            stdin: Stdin::Nothing,
            stdout: Stdout::Read,
            reading: Reading::Plain,
            retries: Vec::new(),
        }
    }

    #[must_use]
    pub fn reading(mut self, reading: Reading) -> Self {
        self.reading = reading;
        self
    }

    #[must_use]
    pub fn retrying(mut self, retries: Vec<Duration>) -> Self {
        self.retries = retries;
        self
    }

    /// The pipeline as a person would type it.
    pub fn command_line(&self) -> String {
        let mut line = self
            .stages
            .iter()
            .map(Argv::to_string)
            .collect::<Vec<_>>()
            .join(" | ");
        match &self.stdin {
            Stdin::Nothing => {}
            Stdin::File(file) | Stdin::FirstLine(file) => {
                let _ = write!(line, " < {}", super::argv::quote(file.as_os_str()));
            }
            Stdin::Names => line.push_str(" < NAMES"),
            Stdin::Member(name) => {
                let _ = write!(line, " < {}", super::argv::quote(name.as_ref()));
            }
            Stdin::Members(_) => line.push_str(" < MEMBERS"),
        }
        match &self.stdout {
            Stdout::Read => {}
            Stdout::NewFile(file) => {
                let _ = write!(line, " > {}", super::argv::quote(file.as_os_str()));
            }
            Stdout::Member(member) => {
                let _ = write!(line, " > {}", super::argv::quote(member.name.as_ref()));
            }
            Stdout::Members => line.push_str(" > MEMBERS"),
        }
        line
    }
}

impl Step {
    /// A step of hayloft's own, done while all is well.
    pub fn new(part: Part, words: impl Into<String>, act: Act) -> Self {
        Self {
            words: words.into(),
            part,
            on: On::Success,
            timeout: None,
            act,
        }
    }

    /// The commands as they run; empty for what hayloft does itself.
    pub fn commands(&self) -> Vec<String> {
        match &self.act {
            Act::Tool(pipeline) => vec![pipeline.command_line()],
            Act::Drive(_)
            | Act::Check(_)
            | Act::RefuseExisting { .. }
            | Act::Catalogue(_)
            | Act::Native(_)
            | Act::Verify(_)
            | Act::Mend(_) => Vec::new(),
        }
    }
}
