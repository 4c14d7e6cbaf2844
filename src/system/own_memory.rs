//! A file system in memory that only this process and its children see.

use std::ffi::CString;
use std::fs;
use std::io;
use std::os::unix::process::parent_id;
use std::path::Path;

use rustix::mount::{MountFlags, mount};

/// Mounts one of at most `size` bytes on a folder, which must be empty. It vanishes with the mount namespace.
///
/// # Errors
/// When the process shares its mounts with who started it (it must be started by unshare(1)), or the kernel refuses.
pub fn mount_own(folder: &Path, size: u64) -> io::Result<()> {
    let namespace = |process: &str| fs::read_link(format!("/proc/{process}/ns/mnt"));
    if namespace("self")? == namespace(&parent_id().to_string())? {
        return Err(io::Error::other(
            "it is not mounted on where others see it: start this by `unshare --mount`",
        ));
    }
    fs::create_dir_all(folder)?;
    let options = CString::new(format!("size={size},mode=0700"))?;
    let flags = MountFlags::NODEV | MountFlags::NOSUID | MountFlags::NOEXEC;
    Ok(mount(
        "hayloft",
        folder,
        "tmpfs",
        flags,
        options.as_c_str(),
    )?)
}

/// Bytes of memory that programs can have without others being moved out (`proc_meminfo(5)`, `MemAvailable`).
pub fn available() -> Option<u64> {
    let text = fs::read_to_string("/proc/meminfo").ok()?;
    let line = text
        .lines()
        .find_map(|line| line.strip_prefix("MemAvailable:"))?;
    let kibibytes: u64 = line.trim().strip_suffix(" kB")?.parse().ok()?;
    Some(kibibytes * 1024)
}
