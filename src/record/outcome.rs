//! How a run ended, by name.

use serde::{Deserialize, Serialize};

/// The named ends of a run. Everything but the first two needs a person, sooner or later.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Outcome {
    /// All that was asked is done and recorded.
    Well,
    /// Done, with something a person may want to know, such as files that vanished while being read.
    WellWithNotes,
    /// A tool or step failed.
    Failed,
    /// The run took longer than its `timeout`.
    TimedOut,
    /// Stopped by SIGINT or SIGTERM.
    Stopped,
    /// The process was killed or the power was cut; found out at the next start.
    CutShort,
    /// The source is missing or cannot be read.
    SourceMissing,
    /// `change_guard`: more would change or vanish than the job allows.
    Guarded,
    /// No disk with the drive's identity is attached.
    DriveAbsent,
    /// The disk is attached, but its file system is not mounted at the drive's path.
    DriveUnmounted,
    /// Another file system is mounted at the drive's path.
    DriveWrong,
    DriveReadOnly,
    /// Less than the `reserve` is, or would be, left free.
    DriveFull,
    /// The drive was there at the start and went away.
    DriveLost,
    /// The ssh host does not answer.
    HostUnreachable,
    /// The ssh host answers with another key than the pinned one, or refuses ours.
    HostRefused,
    /// A copy is not as its manifest says.
    Damaged,
    /// Another run holds the job or its drive.
    Busy,
    /// A job named in `after` has not ended well tonight.
    Waiting,
    /// A scheduled time passed while nothing was running, and `catch_up` is false.
    Missed,
    /// A kind or key that this version cannot run yet.
    NotBuilt,
}

impl Outcome {
    pub fn is_well(self) -> bool {
        matches!(self, Self::Well | Self::WellWithNotes)
    }

    /// The outcome in a few plain words, for a subject line or a table.
    pub fn words(self) -> &'static str {
        match self {
            Self::Well => "well",
            Self::WellWithNotes => "well, with notes",
            Self::Failed => "failed",
            Self::TimedOut => "ran out of time",
            Self::Stopped => "stopped",
            Self::CutShort => "cut short",
            Self::SourceMissing => "source missing",
            Self::Guarded => "held back: too much would change",
            Self::DriveAbsent => "drive not attached",
            Self::DriveUnmounted => "drive not mounted",
            Self::DriveWrong => "wrong drive mounted",
            Self::DriveReadOnly => "drive is read-only",
            Self::DriveFull => "drive full",
            Self::DriveLost => "drive went away",
            Self::HostUnreachable => "host does not answer",
            Self::HostRefused => "host refused",
            Self::Damaged => "damage found",
            Self::Busy => "busy",
            Self::Waiting => "waiting for another job",
            Self::Missed => "missed",
            Self::NotBuilt => "not built yet",
        }
    }
}
