//! The one executor of plans: locks, steps, timeouts, signals, progress, log.

pub mod account;
pub mod catalogue_keeper;
mod control;
mod drive_hands;
mod executor;
pub mod job_run;
mod listener;
pub mod locks;
mod output;
mod overview;
pub mod owed;
mod process;
mod progress;
mod proof_overview;
pub mod read_me;
mod retiring;
mod run_log;
pub mod settle;
mod slice_run;
mod start;
mod tool_step;
mod verify_run;
mod verifying;
mod watch;
mod wording;

pub use control::{Control, Cut, StopSignal};
pub use executor::{Executed, Executor};
pub use job_run::{Runner, Wanted, known_hosts, skipped_record, trigger_for};
pub use locks::{Lock, LockError, is_running, lock_job, lock_service};
pub use overview::overview;
pub use process::{PipelineEnd, Surroundings, run_pipeline};
pub use progress::Progress;
pub use retiring::{Retiring, use_of};
pub use run_log::RunLog;
pub use slice_run::copies_of;
pub use verify_run::{VerifyWanted, Which};
