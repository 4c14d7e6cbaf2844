//! sfdisk(8): partition tables.

use std::path::Path;

use crate::plan::Argv;

/// The table of a disk, as `sfdisk DISK < FILE` takes it.
pub fn dump(disk: &Path) -> Argv {
    Argv::new("sfdisk").arg("--dump").arg(disk)
}
