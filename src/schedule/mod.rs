//! When jobs run: crontab rules with daylight saving, catch-up and order (all pure), and the service loop.

mod crontab;

pub use crontab::{Crontab, CrontabError};
