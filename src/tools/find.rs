//! find(1) of GNU findutils: lists a remote folder.

use std::path::Path;

use crate::plan::Argv;

/// The names in a folder, each ended by a NUL.
pub fn names_in(path: &Path) -> Argv {
    Argv::new("find")
        .arg(path)
        .args(["-mindepth", "1", "-maxdepth", "1", "-printf", r"%f\0"])
}

/// Every inode under a folder, in the form that `system::tree_use` reads.
pub fn inodes_under(path: &Path) -> Argv {
    Argv::new("find")
        .arg(path)
        .args(["-mindepth", "1", "-printf", r"%D %i %n %b %y %P\0"])
}
