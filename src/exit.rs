//! Exit codes, the same for every command.

use crate::record::Outcome;

/// What the process says to its caller.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
#[repr(u8)]
pub enum Exit {
    Well = 0,
    /// A job failed, or something needs attention.
    Trouble = 1,
    /// Job files or usage wrong.
    Usage = 2,
    /// Busy: another run holds the job or its drive.
    Busy = 3,
    /// A drive or a host is not there.
    NotThere = 4,
}

impl Exit {
    pub fn of(outcome: Outcome) -> Self {
        match outcome {
            Outcome::Well | Outcome::WellWithNotes => Self::Well,
            Outcome::Busy => Self::Busy,
            Outcome::DriveAbsent
            | Outcome::DriveUnmounted
            | Outcome::DriveWrong
            | Outcome::HostUnreachable
            | Outcome::HostRefused => Self::NotThere,
            _ => Self::Trouble,
        }
    }

    /// Of several runs: one that failed tells more than one that could not begin.
    #[must_use]
    pub fn and(self, other: Self) -> Self {
        match (self, other) {
            (Self::Well, other) => other,
            (first, Self::Well) => first,
            (first, second) if first == second => first,
            _ => Self::Trouble,
        }
    }
}

impl From<Exit> for std::process::ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit as u8)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_job_that_could_not_begin_among_good_ones_gives_its_own_code() {
        assert_eq!(
            Exit::Well.and(Exit::NotThere).and(Exit::Well),
            Exit::NotThere
        );
        assert_eq!(Exit::Busy.and(Exit::NotThere), Exit::Trouble);
    }
}
