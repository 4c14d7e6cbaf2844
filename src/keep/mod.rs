//! What is worth keeping, and for how long: pure rules over names, times and sizes.
//!
//! [`decide`] applies a job's `[[keep]]` rules, [`enforce_cap`] its `cap`; both only say which
//! generations to retire and why. Removing is a plan like any other, made elsewhere. [`forecast`] tells how far the space
//! will go.

mod cap;
mod cap_guard;
pub mod forecast;
mod ledger;
mod period;
mod retention;
mod space_map;
mod value;

pub use cap::{Going, enforce_cap, order_of_going};
pub use cap_guard::{Consent, HeldBack, enforce_with_consent};
pub use ledger::{Drifted, Ledger, Night};
pub use period::Period;
pub use retention::decide;
pub use space_map::SpaceMap;
pub use value::{Place, value};
