//! What happened and what is there: runs and generations, in `SQLite` and on the drive itself.
//!
//! The database in `state_dir` and the `catalogue.jsonl` beside the generations hold the same facts
//! about generations; either is rebuilt from the other.

pub mod catalogue;
mod export;
mod found;
mod generation;
pub mod logs;
mod outcome;
pub mod path_text;
mod proof;
mod rebuild;
mod run_record;
#[cfg(test)]
pub(crate) mod samples;
mod store;

pub use catalogue::CatalogueTrouble;
pub use export::{Count, Counted, Export, Exported};
pub use found::{EntryType, FoundEntry, list_in};
pub use generation::{Form, Generation, GenerationName, State};
pub use outcome::Outcome;
pub use proof::{Finding, Found, GoodCopy, Place, Proof, ProofKind, What};
pub use rebuild::{Owner, Reconciled, reconcile};
pub use run_record::{Changes, Decision, DriveUse, RunRecord, StepRecord, Task, Trigger};
pub use store::{
    Alarm, AlarmChange, Mark, Pruned, Round, RunFigures, RunFilter, Store, StoreError,
};
