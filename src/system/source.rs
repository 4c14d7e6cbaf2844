//! Whether a job's source is there, and what of it must never be copied.

use std::path::{Path, PathBuf};

use super::mounts::{MOUNTINFO, Mounts, real_path};
use super::remote_drive::{ask_remote, ask_script};
use crate::jobs::{Job, Source};
use crate::plan::Argv;
use crate::plan::{Base, HiddenPath, Landing, SourceState, Stop};
use crate::record::Outcome;
use crate::tools::files;
use crate::tools::ssh::{HostKey, SshLine, remote_words};

/// Looks whether every source path exists.
pub fn look(job: &Job, known_hosts: &Path) -> SourceState {
    match &job.source {
        None => SourceState::Readable,
        Some(Source::Local(paths)) => {
            let gone = |path: &&PathBuf| std::fs::symlink_metadata(path).is_err();
            paths
                .iter()
                .find(gone)
                .map_or(SourceState::Readable, |path| {
                    missing(&path.display().to_string())
                })
        }
        Some(Source::Ssh { host, paths }) => look_remote(&SshLine::new(host, known_hosts), paths),
    }
}

fn look_remote(line: &SshLine, paths: &[PathBuf]) -> SourceState {
    for path in paths {
        // `-e` follows links: a link to nothing is still a source
        let exists = remote_words(&Argv::new("test").arg("-e").arg(path));
        let is_link = remote_words(&Argv::new("test").arg("-L").arg(path));
        let script = [exists.as_slice(), b" || ", &is_link].concat();
        match ask_script(line, &script, HostKey::Pinned) {
            Ok(answer) if answer.is_well() => {}
            Ok(_) => return missing(&format!("{}:{}", line.host, path.display())),
            Err(stop) => return SourceState::Missing(stop),
        }
    }
    SourceState::Readable
}

fn missing(path: &str) -> SourceState {
    SourceState::Missing(
        Stop::new(Outcome::SourceMissing, format!("the source `{path}` is not there"))
            .advise("nothing was copied, and what the drive holds is untouched")
            .advise("was it moved, or is its disk not mounted? If it moved, correct `source` in the job file"),
    )
}

/// Paths under a source that are left out: kernel file systems, and hayloft's own copies.
pub fn hidden(job: &Job, landing: &Landing, known_hosts: &Path) -> Vec<HiddenPath> {
    match &job.source {
        None => Vec::new(),
        Some(Source::Local(sources)) => {
            let copies = match &landing.base {
                Base::Local(drive) => Some(real_path(drive).join("hayloft")),
                Base::Ssh { .. } => None,
            };
            let mounts = Mounts::read().unwrap_or_default();
            hidden_below(sources, &mounts, copies.as_deref(), landing)
        }
        Some(Source::Ssh { host, paths }) => {
            let mounts = remote_mounts(&SshLine::new(host, known_hosts));
            hidden_below(paths, &mounts, None, landing)
        }
    }
}

/// What is mounted on the other host. One that does not say, such as one without Linux, has no
/// file systems of Linux's kernel either.
fn remote_mounts(line: &SshLine) -> Mounts {
    match ask_remote(line, &files::print(Path::new(MOUNTINFO))) {
        Ok(answer) if answer.is_well() => Mounts::parse(&answer.stdout),
        _ => Mounts::default(),
    }
}

fn hidden_below(
    sources: &[PathBuf],
    mounts: &Mounts,
    copies: Option<&Path>,
    landing: &Landing,
) -> Vec<HiddenPath> {
    let mut hidden = Vec::new();
    let mut hide = |path: &Path, why: String| {
        let known = hidden
            .iter()
            .any(|known: &HiddenPath| path.starts_with(&known.path));
        if !known {
            hidden.push(HiddenPath {
                path: path.to_owned(),
                why,
            });
        }
    };
    for source in sources {
        for mount in mounts.below(source).filter(|mount| mount.is_kernel()) {
            hide(
                &mount.point,
                format!("it is the kernel's own `{}`", mount.fs_type),
            );
        }
        if let Some(copies) = copies.filter(|copies| copies.starts_with(source)) {
            hide(
                copies,
                format!("it holds the copies on drive `{}`", landing.drive),
            );
        }
    }
    hidden
}
