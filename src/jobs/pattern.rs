//! `exclude`: what a job leaves out.
//!
//! A pattern that begins with `/` names one path from the root of the source host; any other matches
//! the last part of a path, at any depth. `*`, `?` and `[…]` stay within one name. A pattern that
//! ends with `/` matches folders only, with all that is in them.

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Pattern(pub String);
