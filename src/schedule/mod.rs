//! When jobs run: crontab rules with daylight saving, catch-up and order (all pure), and the service loop.
//!
//! Pure: a [`Crontab`] line gives instants, [`verdict`] says what a job asks for now, [`in_order`] and
//! [`gate`] put due jobs in order. With effects: [`Service`] sleeps until something is due and does it
//! through a [`Host`].

mod agenda;
mod calendar;
mod children;
mod crontab;
mod crontab_error;
mod due;
mod field;
mod host;
mod mail_due;
mod occurrences;
mod order;
mod service;
mod service_manager;
mod signals;
mod slices;
mod status;
mod wait;
mod watch;
mod words;

pub use crontab::Crontab;
pub use crontab_error::CrontabError;
pub use due::{ON_TIME, Punctuality, Timetable, Verdict, verdict};
pub use host::{Host, Skipped};
pub use order::{Activity, Gate, LastRun, Predecessor, Queued, RunEnd, gate, in_order};
pub use service::Service;
pub use signals::{SignalSender, Signals};
