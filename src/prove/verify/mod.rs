//! Verifying: copies are re-read and held against their manifests, and each path that is not as it should be is named.
//!
//! [`plan_verify`] makes an ordinary plan; [`check_copy`] is what its step does for each copy on a local drive,
//! [`check_far_copy`] for one on another host. Which file differs in what is decided by `compare`, which is pure;
//! so are the choice of a sample and the size of a slice.

mod check;
mod chosen;
mod compare;
mod content;
mod far;
mod folder;
mod good_copies;
mod known;
mod ledger;
mod mend;
mod pace;
mod plan;
mod round;
mod sample;
mod scan;
mod walk;

pub use check::{Checked, Ended, Order, check_copy};
pub use far::check_far_copy;
pub use good_copies::{Place as SearchPlace, Wanted, find_good_copies};
pub use known::Known;
pub use mend::{MendError, Mender};
pub use pace::Pace;
pub use plan::{VerifyWish, plan_verify};
pub use round::{Standing, left_bytes, next_budget, standing};
