//! The steps of each kind of job, one kind a file.

pub mod archive;
mod copying;
pub mod history;
pub mod mirror;

pub use copying::{Copying, Shared, waits};
