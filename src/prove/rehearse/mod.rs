//! Rehearsals: an export is loaded into a service made for the purpose, and compared.

mod directory;

pub use directory::{DirectoryRehearsal, config_member, config_step};
