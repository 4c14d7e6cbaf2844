//! An outcome as a verdict: one marked word, readable without colour, and what lies behind it.

use crate::record::Outcome;

use super::Tone;

/// How a reader should feel about a run.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mood {
    Good,
    /// Well, or not run for a harmless reason; worth a look.
    Noted,
    Bad,
    /// Still running.
    Open,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Verdict {
    pub mood: Mood,
    /// `well`, `FAILED`, `HELD BACK`, …; capitals mean that a person is needed.
    pub mark: &'static str,
    /// What went wrong, where the mark does not say it.
    pub detail: Option<&'static str>,
}

impl Verdict {
    /// The verdict on a run; `None` is a run that has not ended.
    pub fn of(outcome: Option<Outcome>) -> Self {
        let Some(outcome) = outcome else {
            return Self::new(Mood::Open, "running", None);
        };
        let detail = Some(outcome.words());
        match outcome {
            Outcome::Well => Self::new(Mood::Good, "well", None),
            Outcome::WellWithNotes => Self::new(Mood::Noted, "well", Some("with notes")),
            Outcome::Failed => Self::new(Mood::Bad, "FAILED", None),
            Outcome::TimedOut
            | Outcome::SourceMissing
            | Outcome::DriveAbsent
            | Outcome::DriveUnmounted
            | Outcome::DriveWrong
            | Outcome::DriveReadOnly
            | Outcome::DriveFull
            | Outcome::DriveLost
            | Outcome::HostUnreachable
            | Outcome::HostRefused => Self::new(Mood::Bad, "FAILED", detail),
            Outcome::Guarded => Self::new(Mood::Bad, "HELD BACK", Some("too much would change")),
            Outcome::Damaged => Self::new(Mood::Bad, "DAMAGE FOUND", None),
            Outcome::Stopped => Self::new(Mood::Bad, "STOPPED", None),
            Outcome::CutShort => Self::new(Mood::Bad, "CUT SHORT", None),
            Outcome::Missed => Self::new(Mood::Bad, "MISSED", None),
            Outcome::Busy | Outcome::Waiting | Outcome::NotBuilt => {
                Self::new(Mood::Bad, "NOT RUN", detail)
            }
        }
    }

    fn new(mood: Mood, mark: &'static str, detail: Option<&'static str>) -> Self {
        Self { mood, mark, detail }
    }

    /// Mark and detail: `FAILED: drive not attached`, `well, with notes`.
    pub fn words(self) -> String {
        match (self.detail, self.mood) {
            (None, _) => self.mark.to_owned(),
            (Some(detail), Mood::Bad) => format!("{}: {detail}", self.mark),
            (Some(detail), _) => format!("{}, {detail}", self.mark),
        }
    }

    pub fn tone(self) -> Tone {
        match self.mood {
            Mood::Good => Tone::Good,
            Mood::Noted | Mood::Open => Tone::Bold,
            Mood::Bad => Tone::Bad,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn capitals_mark_exactly_the_outcomes_that_are_not_well() {
        for outcome in [
            Outcome::Well,
            Outcome::WellWithNotes,
            Outcome::Failed,
            Outcome::Guarded,
            Outcome::Busy,
            Outcome::Missed,
            Outcome::DriveAbsent,
        ] {
            let mark = Verdict::of(Some(outcome)).mark;
            assert_eq!(
                mark == mark.to_uppercase(),
                !outcome.is_well(),
                "{outcome:?}"
            );
        }
    }

    #[test]
    fn a_verdict_says_what_went_wrong_once() {
        let words = |outcome| Verdict::of(Some(outcome)).words();
        assert_eq!(words(Outcome::DriveAbsent), "FAILED: drive not attached");
        assert_eq!(words(Outcome::Guarded), "HELD BACK: too much would change");
        assert_eq!(words(Outcome::WellWithNotes), "well, with notes");
        assert_eq!(words(Outcome::Failed), "FAILED");
        assert_eq!(Verdict::of(None).words(), "running");
    }
}
