//! What is worth keeping, and for how long: pure rules over names, times and sizes.
//!
//! [`decide`] applies a job's `[[keep]]` rules, [`enforce_cap`] its `cap`; both only say which
//! generations to retire and why. Removing is a plan like any other, made elsewhere. [`forecast`] tells how far the space
//! will go.

mod cap;
pub mod forecast;
mod ledger;
mod period;
mod retention;
mod space_map;

pub use cap::enforce_cap;
pub use ledger::{Drifted, Ledger, Night};
pub use period::Period;
pub use retention::decide;
pub use space_map::SpaceMap;
