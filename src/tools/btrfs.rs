//! btrfs(8): subvolumes, one for each generation on a drive that has them. Every entry is named relative to the
//! job's folder, the working folder of these commands.

use crate::plan::Argv;

/// A new, empty subvolume (btrfs-subvolume(8)).
pub fn subvolume_create(entry: &str) -> Argv {
    subvolume("create").arg(entry)
}

/// A writable snapshot: all of `from` at once, sharing its blocks until they are written to.
pub fn subvolume_snapshot(from: &str, to: &str) -> Argv {
    subvolume("snapshot").arg(from).arg(to)
}

/// Takes a subvolume away, read-only or not. Its blocks come free in the background.
pub fn subvolume_delete(entry: &str) -> Argv {
    subvolume("delete").arg(entry)
}

fn subvolume(action: &str) -> Argv {
    Argv::new("btrfs").args(["subvolume", action, "--"])
}
