//! Native, parallel work on trees below a held folder.

mod remove;
mod remove_trouble;

pub use remove::remove_tree;
pub use remove_trouble::RemoveError;
