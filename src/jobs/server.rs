//! `[server]`: the machine that is kept recoverable.

use std::path::PathBuf;

use jiff::tz::TimeZone;

use super::Name;

#[derive(Debug, Clone, PartialEq)]
pub struct Server {
    pub name: Name,
    /// The zone in which schedules are read; the system's unless given.
    pub time_zone: TimeZone,
    /// Where records, logs, locks and mail not yet sent are kept.
    pub state_dir: PathBuf,
}
