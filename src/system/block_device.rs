//! Which physical disks a device lies on, and whether they may go to sleep: sysfs(5).

use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::path::{Path, PathBuf};
use std::{fs, io};

use rustix::fs::{major, minor};

/// A whole disk, by its kernel name, such as `sda`.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Disk {
    pub name: String,
}

impl Disk {
    pub fn device(&self) -> PathBuf {
        Path::new("/dev").join(&self.name)
    }
}

/// The whole disks under a block device: through partitions, device-mapper, arrays and loop files.
///
/// # Errors
/// When `device` is not a block device, or sysfs cannot be read.
pub fn disks_under(device: &Path) -> io::Result<Vec<Disk>> {
    let metadata = fs::metadata(device)?;
    if !metadata.file_type().is_block_device() {
        return Err(io::Error::new(
            io::ErrorKind::InvalidInput,
            "not a block device",
        ));
    }
    let mut disks = Vec::new();
    collect(&sys_folder(metadata.rdev())?, &mut disks)?;
    disks.sort();
    disks.dedup();
    Ok(disks)
}

fn sys_folder(device_number: u64) -> io::Result<PathBuf> {
    let (major, minor) = (major(device_number), minor(device_number));
    fs::canonicalize(format!("/sys/dev/block/{major}:{minor}"))
}

fn collect(folder: &Path, disks: &mut Vec<Disk>) -> io::Result<()> {
    let lower: Vec<PathBuf> = match fs::read_dir(folder.join("slaves")) {
        Ok(entries) => entries
            .map(|entry| entry?.path().canonicalize())
            .collect::<io::Result<_>>()?,
        Err(_) => Vec::new(),
    };
    if !lower.is_empty() {
        return lower.iter().try_for_each(|folder| collect(folder, disks));
    }
    if folder.join("partition").exists() {
        return folder.parent().map_or(Ok(()), |disk| collect(disk, disks));
    }
    if let Some(below) = file_system_of_loop(folder) {
        return collect(&below, disks);
    }
    if let Some(name) = folder.file_name() {
        disks.push(Disk {
            name: name.to_string_lossy().into_owned(),
        });
    }
    Ok(())
}

/// A loop device lies on the disk that its backing file lies on.
fn file_system_of_loop(folder: &Path) -> Option<PathBuf> {
    let file = fs::read_to_string(folder.join("loop/backing_file")).ok()?;
    let metadata = fs::metadata(file.trim_end_matches('\n')).ok()?;
    sys_folder(metadata.dev()).ok()
}

/// The UUID links that udev keeps; absent where udev does not run.
pub fn linked_by_uuid(uuid: &str) -> Option<PathBuf> {
    fs::canonicalize(Path::new("/dev/disk/by-uuid").join(uuid)).ok()
}

/// Whether the kernel may suspend the disk when it is idle (sysfs `power/control`, kernel
/// documentation "Runtime Power Management": `auto` permits it).
pub fn may_suspend(disk: &Disk) -> bool {
    let file = Path::new("/sys/block")
        .join(&disk.name)
        .join("device/power/control");
    let delay = Path::new("/sys/block")
        .join(&disk.name)
        .join("device/power/autosuspend_delay_ms");
    let is_auto = fs::read_to_string(file).is_ok_and(|text| text.trim() == "auto");
    let delay = fs::read_to_string(delay)
        .ok()
        .and_then(|text| text.trim().parse::<i64>().ok());
    is_auto && delay.is_some_and(|milliseconds| milliseconds >= 0)
}
