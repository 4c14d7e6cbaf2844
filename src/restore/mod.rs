//! Bringing back: from a generation on a drive to a folder, as an ordinary plan.

mod plan;
mod seal;

pub use plan::{Wish, plan_restore};
pub use seal::{SealError, read_passphrase, seal, unseal};
