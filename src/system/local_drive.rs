//! A drive of this server: is the file system that it is known by mounted at its path, and writable?

use std::ffi::OsStr;
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::time::Duration;
use std::{fs, io};

use rustix::fs::{AtFlags, Mode, OFlags, StatxFlags, fstatvfs, open, statx};

use super::mounts::{Access, Mount, Mounts, device_file, real_path};
use super::{ask, block_device};
use crate::jobs::Name;
use crate::plan::{Space, Stop};
use crate::record::Outcome;
use crate::tools::blkid;

/// A drive whose identity was checked, held open: work through this folder reaches that file system
/// and no other, even if it is unmounted meanwhile.
#[derive(Debug)]
pub struct HeldDrive {
    root: OwnedFd,
    mount_id: u64,
    purpose: Purpose,
}

impl HeldDrive {
    pub fn root(&self) -> BorrowedFd<'_> {
        self.root.as_fd()
    }

    pub fn space(&self) -> io::Result<Space> {
        let found = fstatvfs(&self.root)?;
        Ok(Space {
            total: found.f_blocks * found.f_frsize,
            free: found.f_bavail * found.f_frsize,
        })
    }

    /// What kind of file system it is, as the kernel calls it: `ext4`.
    pub fn file_system(&self) -> Option<String> {
        let mounts = Mounts::read().unwrap_or_default();
        Some(mounts.with_id(self.mount_id)?.fs_type.clone())
    }

    /// Whether the held file system is still mounted where it was, and can be used for what it is held for.
    pub fn is_still_there(&self) -> bool {
        let mounts = Mounts::read().unwrap_or_default();
        mounts
            .with_id(self.mount_id)
            .is_some_and(|mount| mount.serves(self.purpose))
    }
}

/// What a drive is held for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Purpose {
    /// A read-only mount will do.
    Reading,
    Writing,
}

impl Mount {
    fn serves(&self, purpose: Purpose) -> bool {
        purpose == Purpose::Reading || self.access == Access::ReadWrite
    }
}

/// Looks for the drive and holds it.
///
/// # Errors
/// A [`Stop`] that names what is wrong: absent, not mounted, another file system, read-only.
pub fn hold(name: &Name, path: &Path, uuid: &str, purpose: Purpose) -> Result<HeldDrive, Stop> {
    let unreadable = |error: io::Error| {
        Stop::new(
            Outcome::Failed,
            format!("cannot look at `{}`: {error}", path.display()),
        )
    };
    let mounts = Mounts::read().map_err(unreadable)?;
    let root = match open(
        path,
        OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC,
        Mode::empty(),
    ) {
        Ok(root) => root,
        Err(rustix::io::Errno::NOENT | rustix::io::Errno::NOTDIR) => {
            return Err(not_mounted(name, path, uuid));
        }
        Err(error) => return Err(unreadable(error.into())),
    };
    let found = statx(&root, "", AtFlags::EMPTY_PATH, StatxFlags::MNT_ID)
        .map_err(|error| unreadable(error.into()))?;
    let Some(mount) = mounts.with_id(found.stx_mnt_id) else {
        return Err(not_mounted(name, path, uuid));
    };
    if !has_uuid(mount, uuid) {
        return Err(other_file_system(name, path, uuid, mount));
    }
    if !mount.serves(purpose) {
        let reason = format!(
            "drive `{name}` is mounted read-only at `{}`",
            path.display()
        );
        return Err(Stop::new(Outcome::DriveReadOnly, reason)
            .advise("a file system that the kernel found damaged is made read-only: look at `dmesg`, check the disk, then mount it again"));
    }
    Ok(HeldDrive {
        root,
        mount_id: found.stx_mnt_id,
        purpose,
    })
}

/// Whether the file system at a mount has this UUID, by udev's links or else read from the device.
fn has_uuid(mount: &Mount, uuid: &str) -> bool {
    let Some(device) = device_file(&mount.source) else {
        return false;
    };
    let number = |path: &Path| fs::metadata(path).map(|metadata| metadata.rdev()).ok();
    let linked = block_device::linked_by_uuid(uuid).and_then(|path| number(&path));
    (linked.is_some() && linked == number(device))
        || uuid_of(device).is_some_and(|found| found.eq_ignore_ascii_case(uuid))
}

/// The UUID of the file system on a device, as blkid(8) reads it.
pub fn uuid_of(device: &Path) -> Option<String> {
    let answer = ask(&blkid::uuid_of(device), PATIENCE).ok()?;
    let uuid = answer.text().trim().to_owned();
    (answer.is_well() && !uuid.is_empty()).then_some(uuid)
}

/// A sleeping disk may take this long to wake up.
const PATIENCE: Duration = Duration::from_secs(60);

fn device_with(uuid: &str) -> Option<PathBuf> {
    let asked = || {
        let answer = ask(&blkid::device_with(uuid), PATIENCE).ok()?;
        let device = answer.text().trim().to_owned();
        (answer.is_well() && !device.is_empty()).then(|| PathBuf::from(device))
    };
    block_device::linked_by_uuid(uuid).or_else(asked)
}

fn not_mounted(name: &Name, path: &Path, uuid: &str) -> Stop {
    let path = path.display();
    if let Some(device) = device_with(uuid) {
        let device = device.display();
        let reason =
            format!("drive `{name}` is attached as `{device}`, but not mounted at `{path}`");
        return Stop::new(Outcome::DriveUnmounted, reason)
            .advise(format!("mount it: mount {device} {path}"));
    }
    let reason =
        format!("drive `{name}` is not attached: no disk here has a file system with UUID {uuid}");
    Stop::new(Outcome::DriveAbsent, reason)
        .advise(format!("attach the disk and mount it at {path}"))
}

fn other_file_system(name: &Name, path: &Path, uuid: &str, mount: &Mount) -> Stop {
    if mount.point != real_path(path) {
        return not_mounted(name, path, uuid);
    }
    let path = path.display();
    let found = device_file(&mount.source).and_then(uuid_of);
    if found.is_none() && !rustix::process::geteuid().is_root() {
        let reason =
            format!("which file system is at `{path}` cannot be found out: this is not root");
        return Stop::new(Outcome::Failed, reason).advise("run hayloft as root");
    }
    let what = found.map_or_else(
        || format!("a file system with no UUID ({})", mount.fs_type),
        |found| format!("the file system {found}"),
    );
    let source = OsStr::to_string_lossy(&mount.source);
    let reason = format!(
        "`{path}` holds {what} (from `{source}`), but drive `{name}` is the file system {uuid}"
    );
    Stop::new(Outcome::DriveWrong, reason)
        .advise("nothing was written; mount the right disk")
        .advise(format!(
            "or, if this disk is to take over as `{name}`, write its UUID into server.toml"
        ))
}
