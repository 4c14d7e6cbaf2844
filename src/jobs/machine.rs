//! `[machines.NAME]`: a household computer whose own backups land on the server.

use std::path::PathBuf;

use super::path_text::{ABSOLUTE, absolute_path};
use super::reading::Table;
use super::{Name, Size, Span};

#[derive(Debug, Clone, PartialEq)]
pub struct Machine {
    pub name: Name,
    pub folder: PathBuf,
    pub expect: Option<Span>,
    pub cap: Option<Size>,
}

impl Machine {
    pub(super) fn read(name: Option<Name>, mut table: Table<'_>) -> Option<Self> {
        let folder = table.required("folder", ABSOLUTE, absolute_path);
        let expect = table.optional("expect", Span::EXPECTED, Span::parse);
        let cap = table.optional("cap", Size::EXPECTED, Size::parse_some);
        table.finish();
        Some(Self {
            name: name?,
            folder: folder?,
            expect,
            cap,
        })
    }
}
