//! How the files are read: text with positions, a table reader that gathers every mistake, and how mistakes are shown.

mod access;
mod diagnostic;
mod file_text;
mod findings;
mod mask;
mod mistake;
mod nearest;
mod render;
mod syntax;
mod table;
mod value;

pub(super) use access::{Role, check_config_path, check_secret_file};
pub use diagnostic::{Diagnostic, Place, Severity};
pub(super) use file_text::FileText;
pub(super) use findings::Findings;
pub use mistake::Mistake;
pub(super) use nearest::nearest;
pub use render::Colour;
pub(super) use syntax::parse_tree;
pub(super) use table::Table;
pub(super) use value::Value;
