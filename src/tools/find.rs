//! find(1) of GNU findutils: lists a remote folder.

use std::path::Path;

use crate::plan::Argv;

/// What lies in a folder: type, time of last change, name, each ended by a NUL.
pub fn entries_in(path: &Path) -> Argv {
    Argv::new("find").arg(path).args([
        "-mindepth",
        "1",
        "-maxdepth",
        "1",
        "-printf",
        r"%y %T@ %f\0",
    ])
}

/// What [`inodes_under`] asks of each entry: device, inode, names, blocks, type, path.
pub const INODE_FORMAT: &str = r"%D %i %n %b %y %P\0";

/// The inodes of these very names; fails when one is not there.
pub fn inodes_of(paths: &[&Path]) -> Argv {
    let argv = Argv::new("find").args(paths);
    argv.args(["-maxdepth", "0", "-printf", r"%i\0"])
}

/// Every inode under a folder, in the form that `system::tree_use` reads.
pub fn inodes_under(path: &Path) -> Argv {
    Argv::new("find")
        .arg(path)
        .args(["-mindepth", "1", "-printf", INODE_FORMAT])
}
