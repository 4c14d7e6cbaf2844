//! blkid(8) of util-linux: file system UUIDs, read from the device itself.

use std::path::Path;

use crate::plan::Argv;

/// The UUID of the file system on `device`, past any cache.
pub fn uuid_of(device: &Path) -> Argv {
    Argv::new("blkid")
        .args(["-p", "-s", "UUID", "-o", "value", "--"])
        .arg(device)
}

/// What is on every device, as `NAME=VALUE` lines; nothing is written to its cache.
pub fn all() -> Argv {
    Argv::new("blkid").args(["-c", "/dev/null", "-o", "export"])
}

/// The device that holds the file system with this UUID; exit status 2 when there is none.
pub fn device_with(uuid: &str) -> Argv {
    let mut token = String::from("UUID=");
    token.push_str(uuid);
    Argv::new("blkid")
        .args(["-c", "/dev/null", "-l", "-o", "device", "-t"])
        .arg(token)
}
