//! The index of a source: every name as it was when it was last copied, so that the next run can tell what is
//! as it was by looking at it. It lies on the server, and is only ever a help: without it every file is read again.
//!
//! Each folder's names are one block; blocks lie in no order, and a table at the end tells where each begins.

mod block;
mod file;
mod seen;

pub use file::{Foot, Index, NewIndex};
pub use seen::{Marks, ROOT, Seen, SeenKind};
