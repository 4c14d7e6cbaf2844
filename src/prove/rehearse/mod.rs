//! Rehearsals: an export is loaded into a service made for the purpose, and compared.

mod database;
mod directory;

pub use database::DatabaseRehearsal;
pub use directory::{DirectoryRehearsal, config_member, config_step};
