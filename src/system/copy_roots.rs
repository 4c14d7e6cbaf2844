//! What lies at the top of a copy: stands for its sources where no list tells them.

use std::ffi::OsStr;
use std::io;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};

use rustix::fs::Dir;

use super::job_folder::{open_below, unreadable};
use super::local_drive::HeldDrive;
use super::remote_drive::ask_remote;
use crate::plan::{Landing, Stop};
use crate::record::Outcome;
use crate::tools::find;

/// The paths at the top of the tree `entry` of a job's folder, as they were on the source.
///
/// # Errors
/// A [`Stop`] when the folder cannot be read.
pub fn copy_roots(
    landing: &Landing,
    held: Option<&HeldDrive>,
    entry: &str,
) -> Result<Vec<PathBuf>, Stop> {
    let path = landing.path().join(entry);
    match (held, landing.ssh()) {
        (Some(held), _) => local(held, &landing.folder.join(entry)).map_err(|error| {
            let reason = format!("cannot read `{}`: {error}", path.display());
            Stop::new(Outcome::Failed, reason).advise("look at the disk and `dmesg`")
        }),
        (None, Some(line)) => {
            let answer = ask_remote(line, &find::entries_in(&path))?;
            if !answer.is_well() {
                return Err(unreadable(line, &path, &answer));
            }
            let entries = answer.stdout.split(|byte| *byte == 0);
            let name = |entry: &[u8]| entry.splitn(3, |byte| *byte == b' ').nth(2).map(root);
            Ok(entries.filter_map(name).collect())
        }
        (None, None) => Ok(Vec::new()),
    }
}

fn local(held: &HeldDrive, folder: &Path) -> io::Result<Vec<PathBuf>> {
    let mut roots = Vec::new();
    for entry in Dir::read_from(open_below(held.root(), folder)?)? {
        let entry = entry?;
        let name = entry.file_name().to_bytes();
        if name != b"." && name != b".." {
            roots.push(root(name));
        }
    }
    Ok(roots)
}

fn root(name: &[u8]) -> PathBuf {
    Path::new("/").join(OsStr::from_bytes(name))
}
