//! What happened and what is there: runs and generations, in SQLite and on the drive itself.
//!
//! The database in `state_dir` and the `catalogue.jsonl` beside the generations hold the same facts
//! about generations; either is rebuilt from the other.

mod generation;
mod outcome;
mod run_record;

pub use generation::{Form, Generation, GenerationName, State};
pub use outcome::Outcome;
pub use run_record::{Changes, Decision, DriveUse, RunRecord, StepRecord, Trigger};
