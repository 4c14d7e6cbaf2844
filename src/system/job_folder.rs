//! What lies in a job's folder on its drive: names, and the drive's own catalogue.

use std::ffi::{OsStr, OsString};
use std::io::{self, Read};
use std::os::fd::{BorrowedFd, OwnedFd};
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::path::Path;

use rustix::fs::{Dir, Mode, OFlags, openat};
use rustix::io::Errno;

use super::remote_drive::ask_remote;
use crate::plan::Stop;
use crate::record::Outcome;
use crate::tools::ssh::SshLine;
use crate::tools::{files, find};

pub const CATALOGUE: &str = "catalogue.jsonl";

/// The entries of a job's folder, unsorted, and its catalogue's bytes. Both empty when there is no folder yet.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Listing {
    pub names: Vec<OsString>,
    pub catalogue: Vec<u8>,
}

/// Opens a folder below a held drive, without following any link.
pub fn open_below(root: BorrowedFd, folder: &Path) -> io::Result<OwnedFd> {
    let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC | OFlags::NOFOLLOW;
    let mut held = openat(root, ".", flags, Mode::empty())?;
    for part in folder.components() {
        held = openat(&held, part.as_os_str(), flags, Mode::empty())?;
    }
    Ok(held)
}

/// Lists the job's folder on a local drive.
///
/// # Errors
/// When the folder is there and cannot be read.
pub fn list_local(root: BorrowedFd, folder: &Path) -> io::Result<Listing> {
    let held = match open_below(root, folder) {
        Ok(held) => held,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Listing::default()),
        Err(error) => return Err(error),
    };
    let mut names = Vec::new();
    for entry in Dir::read_from(&held)? {
        let entry = entry?;
        let name = OsStr::from_bytes(entry.file_name().to_bytes());
        if name != "." && name != ".." {
            names.push(name.to_owned());
        }
    }
    let mut catalogue = Vec::new();
    match openat(
        &held,
        CATALOGUE,
        OFlags::RDONLY | OFlags::CLOEXEC | OFlags::NOFOLLOW,
        Mode::empty(),
    ) {
        Ok(file) => {
            std::fs::File::from(file).read_to_end(&mut catalogue)?;
        }
        Err(Errno::NOENT) => {}
        Err(error) => return Err(error.into()),
    }
    Ok(Listing { names, catalogue })
}

/// Lists the job's folder on a remote drive; `path` is the folder there.
///
/// # Errors
/// A [`Stop`] when the host does not answer or the folder cannot be read.
pub fn list_remote(line: &SshLine, path: &Path) -> Result<Listing, Stop> {
    let answer = ask_remote(line, &find::names_in(path))?;
    if !answer.is_well() {
        if answer.stderr.contains("No such file or directory") {
            return Ok(Listing::default());
        }
        let reason = format!(
            "cannot list `{}` on `{}`: {}",
            path.display(),
            line.host,
            answer.stderr.trim()
        );
        return Err(Stop::new(Outcome::Failed, reason));
    }
    let names: Vec<OsString> = answer
        .stdout
        .split(|b| *b == 0)
        .filter(|name| !name.is_empty())
        .map(|name| OsString::from_vec(name.to_vec()))
        .collect();
    let catalogue = if names.iter().any(|name| name == CATALOGUE) {
        ask_remote(line, &files::print(&path.join(CATALOGUE)))?.stdout
    } else {
        Vec::new()
    };
    Ok(Listing { names, catalogue })
}
