//! When jobs run: crontab rules with daylight saving, catch-up and order (all pure), and the service loop.

mod calendar;
mod crontab;
mod crontab_error;
mod field;
mod occurrences;

pub use crontab::Crontab;
pub use crontab_error::CrontabError;
