//! The coreutils commands that work on a folder of a remote drive: mkdir(1), mv(1), rm(1), sync(1), cat(1).

use std::path::Path;

use super::ssh::remote_words;
use crate::plan::Argv;

/// Makes a folder and what is missing above it, readable by its owner only.
pub fn make_folder(path: &Path) -> Argv {
    Argv::new("install")
        .args(["-d", "-m", "0700", "--"])
        .arg(path)
}

/// Flushes the whole file system that holds `path`.
pub fn flush(path: &Path) -> Argv {
    Argv::new("sync").args(["-f", "--"]).arg(path)
}

/// Renames, never into an existing folder and never over an existing file.
pub fn rename(from: &Path, to: &Path) -> Argv {
    Argv::new("mv").args(["-n", "-T", "--"]).arg(from).arg(to)
}

pub fn remove(path: &Path) -> Argv {
    Argv::new("rm")
        .args(["-rf", "--one-file-system", "--"])
        .arg(path)
}

/// Makes the folder that files are brought back to, with the usual mode.
pub fn make_target(path: &Path) -> Argv {
    Argv::new("mkdir").args(["-p", "--"]).arg(path)
}

pub fn print(path: &Path) -> Argv {
    Argv::new("cat").arg("--").arg(path)
}

/// Writes standard input to a new file and flushes it.
pub fn write_from_stdin(path: &Path) -> Argv {
    let mut to = std::ffi::OsString::from("of=");
    to.push(path);
    Argv::new("dd")
        .args(["bs=1M", "iflag=fullblock", "conv=fsync,excl", "status=none"])
        .arg(to)
}

/// A script for another host that writes standard input beside `path`, flushes it, and renames it over `path`.
pub fn replace_from_stdin(path: &Path) -> Vec<u8> {
    let name = path.file_name().unwrap_or_default();
    let mut new = std::ffi::OsString::from(".");
    new.push(name);
    new.push(".new");
    let new = path.with_file_name(new);
    let mut to = std::ffi::OsString::from("of=");
    to.push(&new);
    let write = Argv::new("dd")
        .args(["bs=1M", "conv=fsync", "status=none"])
        .arg(to);
    let rename = Argv::new("mv").args(["-f", "-T", "--"]).arg(&new).arg(path);
    [
        remote_words(&write),
        b" && ".to_vec(),
        remote_words(&rename),
    ]
    .concat()
}

/// The length of a file in bytes.
pub fn length(path: &Path) -> Argv {
    Argv::new("stat").args(["-c", "%s", "--"]).arg(path)
}
