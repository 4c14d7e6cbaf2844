//! Numbers for the file systems of a source.

use std::collections::HashMap;
use std::ffi::OsStr;
use std::os::fd::BorrowedFd;
use std::os::unix::ffi::OsStrExt;
use std::sync::Mutex;

use rustix::fs::{Mode, OFlags, fstatvfs, openat};

use super::lock;

/// A file system is known by its `f_fsid` (statvfs(3)), which ext4 and btrfs make from their UUID: device numbers
/// are dealt out anew at each start of the system, and for each subvolume at each mount.
#[derive(Debug)]
pub struct FileSystems(Mutex<State>);

#[derive(Debug)]
struct State {
    table: Vec<u64>,
    by_device: HashMap<u64, u16>,
}

impl FileSystems {
    /// Goes on from a table that was made before, so that its numbers stay.
    pub fn new(table: Vec<u64>) -> Self {
        Self(Mutex::new(State {
            table,
            by_device: HashMap::new(),
        }))
    }

    /// The number of the file system that holds `name`, whose device number is known.
    pub fn number(&self, folder: BorrowedFd, name: &[u8], device: u64) -> u16 {
        let mut state = lock(&self.0);
        if let Some(number) = state.by_device.get(&device) {
            return *number;
        }
        // by the folder where the name itself cannot be opened: it is on the same file system, or a mount point
        let flags = OFlags::PATH | OFlags::NOFOLLOW | OFlags::CLOEXEC;
        let id = openat(folder, OsStr::from_bytes(name), flags, Mode::empty())
            .and_then(fstatvfs)
            .map_or(device, |found| found.f_fsid);
        // one that has no number of its own (f_fsid 0, as on some network file systems) is told by its device
        let id = if id == 0 { device } else { id };
        let place = state.table.iter().position(|known| *known == id);
        let place = place.unwrap_or_else(|| {
            state.table.push(id);
            state.table.len() - 1
        });
        // the last number stands for all that are too many: what is on them is in doubt each time
        let number = u16::try_from(place).unwrap_or(u16::MAX);
        state.by_device.insert(device, number);
        number
    }

    pub fn table(&self) -> Vec<u64> {
        lock(&self.0).table.clone()
    }
}
