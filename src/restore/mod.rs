//! Bringing back: from a generation on a drive to a folder, as an ordinary plan.

mod export;
mod load_directory;
mod opening;
mod plan;
mod seal;

pub use export::{open_export, plan_of};
pub use load_directory::{DirectoryLoad, answer, export_again, in_order, refusal};
pub use opening::Opening;
pub use plan::{Wish, plan_restore};
pub use seal::{SealError, opens, read_passphrase, seal, unseal};
