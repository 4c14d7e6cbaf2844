//! The beginning of a file in a job's folder: what tells with which secret it was closed.

use std::fs::File;
use std::io::{self, Read};
use std::os::fd::AsFd;
use std::time::Duration;

use rustix::fs::{Mode, OFlags, openat};

use super::ask;
use super::job_folder::open_below;
use super::local_drive::HeldDrive;
use crate::plan::Landing;
use crate::tools::files;

/// # Errors
/// When it cannot be read.
pub fn first_bytes(
    landing: &Landing,
    held: Option<&HeldDrive>,
    entry: &str,
    most: u64,
) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    if let Some(line) = landing.ssh() {
        let argv = line.command(&files::print_first(&landing.path().join(entry), most));
        let answer = ask(&argv, Duration::from_secs(60))?;
        if !answer.is_well() {
            return Err(io::Error::other(answer.stderr.trim().to_owned()));
        }
        return Ok(answer.stdout);
    }
    let held = held.ok_or_else(|| io::Error::other("the drive is not held"))?;
    let folder = open_below(held.root(), &landing.folder)?;
    let flags = OFlags::RDONLY | OFlags::CLOEXEC | OFlags::NOFOLLOW;
    let file = File::from(openat(folder.as_fd(), entry, flags, Mode::empty())?);
    file.take(most).read_to_end(&mut bytes)?;
    Ok(bytes)
}
