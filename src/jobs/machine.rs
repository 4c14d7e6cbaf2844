//! `[machines.NAME]`: a household computer whose own backups land on the server.

use std::path::PathBuf;

use super::{Name, Size, Span};

#[derive(Debug, Clone, PartialEq)]
pub struct Machine {
    pub name: Name,
    pub folder: PathBuf,
    pub expect: Option<Span>,
    pub cap: Option<Size>,
}
