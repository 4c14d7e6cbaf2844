//! Looks at what this server has of that which an export of its settings keeps.

use std::collections::BTreeSet;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

use super::programs;
use crate::plan::kinds::settings::{PROGRAMS, TEXTS};
use crate::plan::{Boot, SettingsFacts, Stop};
use crate::record::Outcome;

/// What makes a server what it is, besides its data and its packages. Only the first must be there.
const PATHS: [&str; 9] = [
    "/etc",
    "/boot/grub/grub.cfg",
    "/boot/loader",
    "/root/.ssh",
    "/usr/local/etc",
    "/usr/local/share/keyrings",
    "/usr/share/keyrings",
    "/var/spool/cron/atjobs",
    "/var/spool/cron/crontabs",
];

/// # Errors
/// When `/etc` cannot be read.
pub fn look() -> Result<SettingsFacts, Stop> {
    if let Err(error) = fs::read_dir(PATHS[0]) {
        let reason = format!("`{}` cannot be read: {error}", PATHS[0]);
        return Err(Stop::new(Outcome::SourceMissing, reason).advise("hayloft must run as root"));
    }
    let paths = PATHS.iter().map(PathBuf::from);
    let efi = Path::new("/sys/firmware/efi");
    Ok(SettingsFacts {
        paths: paths.filter(|path| path.exists()).collect(),
        disks: disks().unwrap_or_default(),
        host_keys: host_keys().unwrap_or_default(),
        homes: homes().unwrap_or_default(),
        texts: (TEXTS.iter().map(|(_, file)| PathBuf::from(file)))
            .filter(|file| file.exists())
            .collect(),
        boot: if efi.exists() { Boot::Efi } else { Boot::Other },
        missing: programs::missing(&PROGRAMS)
            .into_iter()
            .map(ToOwned::to_owned)
            .collect(),
    })
}

/// Whole disks on which the kernel sees partitions. A loop device is a file, and kept or not with that.
fn disks() -> io::Result<Vec<PathBuf>> {
    let mut disks = Vec::new();
    for disk in fs::read_dir("/sys/block")? {
        let name = disk?.file_name();
        if name.as_encoded_bytes().starts_with(b"loop") {
            continue;
        }
        let parts = fs::read_dir(Path::new("/sys/block").join(&name))?;
        // sysfs: a partition has a file of this name with its number
        if parts
            .flatten()
            .any(|part| part.path().join("partition").exists())
        {
            // names with a slash in them have `!` there
            let device = name.to_string_lossy().replace('!', "/");
            disks.push(Path::new("/dev").join(device));
        }
    }
    disks.sort();
    Ok(disks)
}

fn host_keys() -> io::Result<Vec<PathBuf>> {
    let mut keys = Vec::new();
    for entry in fs::read_dir("/etc/ssh")? {
        let entry = entry?;
        let name = entry.file_name();
        let name = name.as_encoded_bytes();
        if name.starts_with(b"ssh_host_") && name.ends_with(b"_key.pub") {
            keys.push(entry.path());
        }
    }
    keys.sort();
    Ok(keys)
}

/// The sixth field of passwd(5), where it is a folder.
fn homes() -> io::Result<Vec<PathBuf>> {
    let accounts = fs::read_to_string("/etc/passwd")?;
    let homes = accounts.lines().filter_map(|line| line.split(':').nth(5));
    let homes: BTreeSet<PathBuf> = homes
        .filter(|home| home.starts_with('/') && *home != "/")
        .map(PathBuf::from)
        .filter(|home| home.is_dir())
        .collect();
    Ok(homes.into_iter().collect())
}
