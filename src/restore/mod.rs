//! Bringing back: from a generation on a drive to a folder, as an ordinary plan.

mod export;
mod load_database;
mod load_directory;
mod load_mariadb;
mod opening;
mod plan;
mod seal;

pub use export::{open_export, plan_of};
pub use load_database::{DatabaseLoad, database_refusal};
pub use load_directory::{DirectoryLoad, answer, export_again, in_order, refusal};
pub use load_mariadb::Keeping;
pub use opening::Opening;
pub use plan::{Wish, plan_restore};
pub use seal::{SealError, opens, read_passphrase, seal, unseal};
