//! What makes a new installation this server again: what is kept of it, how that is read, and how two times differ.

mod apply;

pub use apply::APPLY;
