//! Which entries of a job's folder are btrfs subvolumes: they are taken away as a whole.

use std::collections::BTreeSet;
use std::io;
use std::os::fd::{AsFd, BorrowedFd};
use std::path::Path;

use rustix::fs::{AtFlags, Dir, FileType, Statx, StatxFlags, fstatfs, statx};
use rustix::io::Errno;

use super::job_folder::open_below;
use super::programs;

/// `BTRFS_SUPER_MAGIC` of linux/magic.h, which statfs(2) gives as the type.
const BTRFS: u32 = 0x9123_683e;

/// The inode number of every subvolume's top: `BTRFS_FIRST_FREE_OBJECTID` of `linux/btrfs_tree.h`.
const TOP_INODE: u64 = 256;

/// The subvolumes directly in a folder of a held drive. None where the program `btrfs` is missing: without it
/// they are removed file by file.
///
/// # Errors
/// When the folder is there and cannot be read.
pub fn subvolumes(root: BorrowedFd, folder: &Path) -> io::Result<BTreeSet<String>> {
    let folder = match open_below(root, folder) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(BTreeSet::new()),
        opened => opened?,
    };
    let mut found = BTreeSet::new();
    if !is_btrfs(folder.as_fd())? || !programs::missing(&["btrfs"]).is_empty() {
        return Ok(found);
    }
    for entry in Dir::read_from(&folder)? {
        let entry = entry?;
        let Ok(name) = entry.file_name().to_str() else {
            continue;
        };
        if name != "." && name != ".." && is_subvolume(folder.as_fd(), name)? {
            found.insert(name.to_owned());
        }
    }
    Ok(found)
}

/// Whether a folder lies on btrfs.
///
/// # Errors
/// What fstatfs(2) says.
pub fn is_btrfs(folder: BorrowedFd) -> io::Result<bool> {
    Ok(u32::try_from(fstatfs(folder)?.f_type) == Ok(BTRFS))
}

/// Whether `name`, in a folder on btrfs, is a subvolume and nothing that is mounted there.
///
/// # Errors
/// What statx(2) says, but for a name that is not there.
pub fn is_subvolume(folder: BorrowedFd, name: &str) -> io::Result<bool> {
    let above = look(folder, "")?;
    let found = match look(folder, name) {
        Err(Errno::NOENT) => return Ok(false),
        found => found?,
    };
    let mode = rustix::fs::RawMode::from(found.stx_mode);
    Ok(FileType::from_raw_mode(mode) == FileType::Directory
        && found.stx_ino == TOP_INODE
        && found.stx_mnt_id == above.stx_mnt_id
        && device(&found) != device(&above))
}

fn look(folder: BorrowedFd, name: &str) -> Result<Statx, Errno> {
    let flags = AtFlags::SYMLINK_NOFOLLOW | AtFlags::EMPTY_PATH;
    statx(
        folder,
        name,
        flags,
        StatxFlags::BASIC_STATS | StatxFlags::MNT_ID,
    )
}

fn device(found: &Statx) -> (u32, u32) {
    (found.stx_dev_major, found.stx_dev_minor)
}
