//! stat(1): owners and modes.

use std::path::PathBuf;

use crate::plan::Argv;

/// `MODE OWNER GROUP PATH` with tabs between, a folder a line.
pub fn folders(paths: &[PathBuf]) -> Argv {
    Argv::new("stat")
        .option("--printf", "%a\\t%U\\t%G\\t%n\\n")
        .arg("--")
        .args(paths)
}
