//! One job, resolved: every default filled in, every name looked up.

use super::{KeepRule, Kind, Name, Pattern, Percent, Size, Source, Span, StepSpec};
use crate::schedule::Crontab;

#[derive(Debug, Clone, PartialEq)]
pub struct Job {
    pub name: Name,
    pub about: String,
    pub kind: Kind,
    /// What is copied. Absent for kinds that know by themselves (clone, directory, database, settings).
    pub source: Option<Source>,
    pub exclude: Vec<Pattern>,
    pub drive: Name,
    pub schedule: Option<Crontab>,
    pub catch_up: CatchUp,
    pub timeout: Option<Span>,
    /// Recovery point objective (NIST SP 800-34 rev. 1): at most this much work may be lost.
    pub rpo: Option<Span>,
    /// Recovery time objective (NIST SP 800-34 rev. 1): it must be back within this.
    pub rto: Option<Span>,
    pub cap: Option<Size>,
    pub change_guard: Option<Percent>,
    pub rehearse: Option<Crontab>,
    pub after: Vec<Name>,
    pub keep: Vec<KeepRule>,
    pub pre: Vec<StepSpec>,
    pub post: Vec<StepSpec>,
}

/// What happens to a time that passed while the server was off or asleep.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CatchUp {
    /// `catch_up = true`, the default: run once, soon after.
    RunSoon,
    /// `catch_up = false`: record it as missed and wait for the next time.
    Skip,
}
