//! Keeps READ-ME-FIRST.txt on each drive as it should be.

use std::io::{self, Read};
use std::os::fd::AsFd;
use std::path::Path;

use rustix::fs::{Mode, OFlags, openat};

use super::catalogue_keeper::write_remote;
use super::drive_hands::replace_file;
use super::executor::Executor;
use crate::jobs::{Config, Drive};
use crate::report::read_me_first;
use crate::system::job_folder::open_below;
use crate::system::local_drive::HeldDrive;

const FILE: &str = "READ-ME-FIRST.txt";

/// Writes the text for this drive, unless it is there already. Trouble is a note of the run.
pub fn renew(config: &Config, drive: &Drive, executor: &mut Executor) {
    let text = read_me_first(config, drive);
    let landing = &executor.plan.landing;
    let result = match (executor.held, landing.ssh()) {
        (Some(held), _) => renew_local(held, &text),
        (None, Some(line)) => {
            let path = landing.drive_path().join("hayloft").join(FILE);
            write_remote(line, &path, text)
        }
        (None, None) => Ok(()),
    };
    if let Err(error) = result {
        executor
            .done
            .notes
            .push(format!("{FILE} on the drive could not be written: {error}"));
    }
}

fn renew_local(held: &HeldDrive, text: &str) -> io::Result<()> {
    let folder = open_below(held.root(), Path::new("hayloft"))?;
    let flags = OFlags::RDONLY | OFlags::CLOEXEC | OFlags::NOFOLLOW;
    let mut there = String::new();
    if let Ok(file) = openat(&folder, FILE, flags, Mode::empty()) {
        // unreadable is as good as different
        let _ = std::fs::File::from(file).read_to_string(&mut there);
    }
    if there == text {
        Ok(())
    } else {
        replace_file(folder.as_fd(), FILE, text.as_bytes())
    }
}
