//! Native work on whole trees, on all cores: looking for what changed, linking what did not, copying, removing.
//!
//! A run of a history goes through a tree three times: a [`survey`] holds the source against the [`index`] of the
//! last one; a [`build`] makes the new copy's folders, links what is the same and copies what is not; a
//! [`finish`] looks at what was left to rsync; then the manifest is written. Everything is done by folders that
//! are held open: no link is followed, and no path is too long.

pub mod attributes;
pub mod build;
mod build_name;
mod compare;
mod copy_content;
mod copy_file;
mod copy_folder;
mod copy_link;
pub mod describe;
mod digest_finder;
mod doubt;
mod exclusions;
mod file_systems;
pub mod finish;
mod flusher;
mod folder;
pub mod from_manifest;
mod groups;
mod halt;
pub mod index;
mod joined;
mod leftover;
pub mod listing;
mod open_files;
mod pool;
mod reading;
mod remove;
mod remove_trouble;
mod scope;
pub mod survey;
pub mod tally;
mod touched;
mod trouble;
mod wildcard;

pub use exclusions::Exclusions;
pub use folder::now;
pub use halt::Halt;
pub use leftover::Leftover;
pub use open_files::make_room;
pub use pool::{lock, pool};
pub use remove::remove_tree;
pub use remove_trouble::RemoveError;
pub use scope::Scope;
pub use trouble::Trouble;
