//! When jobs run: crontab rules with daylight saving, catch-up and order (all pure), and the service loop.

mod calendar;
mod crontab;
mod crontab_error;
mod due;
mod field;
mod occurrences;
mod order;
mod words;

pub use crontab::Crontab;
pub use crontab_error::CrontabError;
pub use due::{ON_TIME, Punctuality, Timetable, Verdict, verdict};
pub use order::{Activity, Gate, LastRun, Predecessor, Queued, RunEnd, gate, in_order};
