//! Verifying: copies are re-read and held against their manifests, and each path that is not as it should be is named.
//!
//! [`plan_verify`] makes an ordinary plan; [`check_copy`] is what its step does for each copy on a local drive.
//! Which file differs in what is decided by `compare`, which is pure; so are the choice of a sample and the size of a
//! slice.

mod check;
mod chosen;
mod compare;
mod content;
mod far;
mod far_batch;
mod far_order;
mod far_seen;
mod folder;
mod good_copies;
mod known;
mod ledger;
mod mend;
mod mend_plan;
mod pace;
mod plan;
mod round;
mod sample;
mod scan;
mod walk;

pub use check::{Checked, Ended, Order, Reading, check_copy, device_of};
pub use far::{FarReading, check_far_copy};
pub use far_seen::not_compared;
pub use good_copies::{SearchPlace, Spoilt, find_good_copies, spoilt_files};
pub use known::Known;
pub use ledger::Sum;
pub use mend::{MendError, Mender};
pub use mend_plan::mend_steps;
pub use pace::Pace;
pub use plan::{VerifyWish, plan_verify};
pub use round::{
    JobCopies, Standing, due, in_round, is_done_with, left_bytes, next_budget, standing,
};
