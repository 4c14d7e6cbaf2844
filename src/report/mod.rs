//! One model of facts, several renderings: terminal, mail (text and HTML), JSON.
//!
//! Nothing here finds out or computes a fact; it words what [`crate::record`] and the status reader
//! hand in. Everything shown passes [`safe_text`] first, so that a file name can neither break a
//! line nor drive a terminal. What a run's mail says is worded once, in [`run_words`](RunWords), and
//! laid out twice.

mod amounts;
mod check_text;
mod compared_text;
mod decision_words;
mod dry_run_text;
mod entries_text;
mod forecast_facts;
mod forecast_text;
mod forecast_words;
mod generations_text;
mod inventory_text;
mod json;
mod log_words;
mod notice;
mod proof_status;
mod proof_words;
mod read_me_database;
mod read_me_directory;
mod read_me_first;
mod read_me_place;
mod read_me_settings;
mod restore_text;
mod run_html;
mod run_text;
mod run_words;
mod runs_text;
mod safe_text;
#[cfg(test)]
mod sample_runs;
mod space_words;
mod status_facts;
mod status_text;
mod step_words;
mod style;
mod subject;
mod verdict;
mod wrap;

pub use amounts::{age, bytes, count, counted, date, date_time, seconds, time};
pub use check_text::{CheckFacts, CheckedDrive, CheckedHost, CheckedJob, check_text};
pub use compared_text::{ComparedFacts, compared_text};
pub use dry_run_text::{DryRunFacts, FirstName, PlannedStep, dry_run_text};
pub use entries_text::{ComparedEntry, EntriesFacts, EntryState, ShownValue, entries_text};
pub use forecast_facts::{DriveForecast, ForecastFacts, JobForecast, SpaceSeen};
pub use forecast_text::forecast_text;
pub use generations_text::{GenerationFacts, generations_text};
pub use inventory_text::inventory_text;
pub use json::{to_json_line, to_json_pretty};
pub use log_words::log_line;
pub use notice::Notice;
pub use proof_words::found_words;
pub use read_me_first::read_me_first;
pub use restore_text::{RestoreFacts, restore_text};
pub use run_html::run_report_html;
pub use run_text::{run_in_full_text, run_report_text};
pub use run_words::{Block, Detail, RunWords, Section, StepWords};
pub use runs_text::runs_text;
pub use safe_text::{html, safe_line, safe_name, truncate, width};
pub use status_facts::{
    DriveReadiness, DriveSpace, DriveStatus, JobStatus, LastGood, LastRun, MailFacts, OpenFindings,
    RereadStatus, RoundStatus, StatusFacts, Verified,
};
pub use status_text::status_text;
pub use style::{Style, Tone};
pub use subject::subject;
pub use verdict::{Mood, Verdict};
