//! The steps of each kind of job, one kind a file.

pub mod archive;
mod copying;
pub mod database;
pub mod directory;
pub mod export;
mod frame;
pub mod history;
pub mod mirror;
mod packing;
pub mod settings;

pub use copying::{Copying, Shared, waits};
pub use frame::Frame;
