//! Whether a job's source is there, and what of it must never be copied.

use std::io;
use std::path::{Path, PathBuf};

use super::mounts::{MOUNTINFO, Mount, Mounts, real_path};
use super::remote_drive::{ask_remote, ask_script};
use crate::jobs::{Job, Source};
use crate::plan::Argv;
use crate::plan::{Base, HiddenPath, Landing, SourceState, Stop};
use crate::record::Outcome;
use crate::tools::ssh::{HostKey, SshLine, remote_words};
use crate::tools::{Ended, files};

/// Looks whether every source path exists.
pub fn look(job: &Job, known_hosts: &Path) -> SourceState {
    match &job.source {
        None => SourceState::Readable,
        Some(Source::Local(paths)) => {
            let states = paths.iter().map(|path| look_local(path));
            first_missing(states)
        }
        Some(Source::Ssh { host, paths }) => look_remote(&SshLine::new(host, known_hosts), paths),
    }
}

fn look_local(path: &Path) -> SourceState {
    match std::fs::symlink_metadata(path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            missing(&path.display().to_string())
        }
        Err(error) => {
            let reason = format!("the source `{}` cannot be read: {error}", path.display());
            SourceState::Missing(
                Stop::new(Outcome::SourceMissing, reason)
                    .advise("nothing was copied, and what the drive holds is untouched")
                    .advise("look at its disk and `dmesg`, and whether hayloft runs as root"),
            )
        }
        Ok(found) if found.is_symlink() => link(&path.display().to_string()),
        Ok(_) => SourceState::Readable,
    }
}

fn look_remote(line: &SshLine, paths: &[PathBuf]) -> SourceState {
    let look = |path: &PathBuf| {
        let test = |what: &str| remote_words(&Argv::new("test").arg(what).arg(path));
        let script = [
            b"if ".as_slice(),
            &test("-L"),
            b"; then exit 9; fi; ",
            &test("-e"),
        ]
        .concat();
        let name = format!("{}:{}", line.host, path.display());
        match ask_script(line, &script, HostKey::Pinned) {
            Ok(answer) if answer.is_well() => SourceState::Readable,
            Ok(answer) if answer.ended == Ended::Exit(9) => link(&name),
            Ok(_) => missing(&name),
            Err(stop) => SourceState::Missing(stop),
        }
    };
    first_missing(paths.iter().map(look))
}

fn first_missing(mut states: impl Iterator<Item = SourceState>) -> SourceState {
    let missing = |state: &SourceState| *state != SourceState::Readable;
    states.find(missing).unwrap_or(SourceState::Readable)
}

fn link(path: &str) -> SourceState {
    let reason = format!(
        "the source `{path}` is a symbolic link: only the link would be copied, not what it leads to"
    );
    SourceState::Missing(
        Stop::new(Outcome::SourceMissing, reason)
            .advise("write the path that it leads to as the `source`"),
    )
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
            let sources: Vec<_> = sources
                .iter()
                .map(|path| (path.clone(), real_path(path)))
                .collect();
            hidden_below(&sources, &mounts, copies.as_deref(), landing)
        }
        Some(Source::Ssh { host, paths }) => {
            let mounts = remote_mounts(&SshLine::new(host, known_hosts));
            let paths: Vec<_> = paths
                .iter()
                .map(|path| (path.clone(), path.clone()))
                .collect();
            hidden_below(&paths, &mounts, None, landing)
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

/// `sources` are paths as written, each with the one it really is.
fn hidden_below(
    sources: &[(PathBuf, PathBuf)],
    mounts: &Mounts,
    copies: Option<&Path>,
    landing: &Landing,
) -> Vec<HiddenPath> {
    let mut hidden = Vec::new();
    let mut hide = |path: PathBuf, why: String| {
        let known = hidden
            .iter()
            .any(|known: &HiddenPath| path.starts_with(&known.path));
        if !known {
            hidden.push(HiddenPath { path, why });
        }
    };
    for (source, real) in sources {
        // the kernel tells paths without links; the tools meet them by way of the source
        let by_source = |path: &Path| -> Option<PathBuf> {
            let below = path.strip_prefix(real).ok()?;
            Some(source.components().chain(below.components()).collect())
        };
        let seen = |mount: &&Mount| mounts.at(&mount.point) == Some(*mount);
        let of_kernel = mounts
            .below(real)
            .filter(seen)
            .filter(|one| one.is_kernel());
        for mount in of_kernel {
            if let Some(path) = by_source(&mount.point) {
                hide(path, format!("it is the kernel's own `{}`", mount.fs_type));
            }
        }
        if let Some(copies) = copies.and_then(by_source) {
            hide(
                copies,
                format!("it holds the copies on drive `{}`", landing.drive),
            );
        }
    }
    hidden
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::jobs::Name;

    const COPIES: &str = "/home/studio/shelf/hayloft";

    /// With a source `/home/studio` that really is `/srv`, by a link above it.
    fn hidden_by(mountinfo: &[u8]) -> Vec<PathBuf> {
        let landing = Landing {
            drive: Name::parse("shelf").expect("a name"),
            base: Base::Local("/mnt/shelf".into()),
            folder: "hayloft/kiln/studio-files".into(),
        };
        let mounts = Mounts::parse(mountinfo);
        let sources = [("/home/studio".into(), "/srv".into())];
        let copies = Some(Path::new("/srv/shelf/hayloft"));
        let hidden = hidden_below(&sources, &mounts, copies, &landing);
        hidden.into_iter().map(|hidden| hidden.path).collect()
    }

    #[test]
    fn kernel_file_systems_and_the_copies_are_left_out_by_their_paths_below_the_source() {
        let mounts =
            b"1 0 8:1 / / rw - ext4 /dev/a rw\n2 1 0:4 / /srv/jail/proc rw - proc proc rw\n";
        assert_eq!(
            hidden_by(mounts),
            ["/home/studio/jail/proc", COPIES].map(PathBuf::from)
        );
    }

    #[test]
    fn a_disk_that_is_mounted_when_it_is_asked_for_is_copied() {
        let waiting =
            b"1 0 8:1 / / rw - ext4 /dev/a rw\n2 1 0:40 / /srv/photographs rw - autofs systemd-1 rw\n";
        assert_eq!(hidden_by(waiting), [PathBuf::from(COPIES)]);
        let mounted = [
            waiting.as_slice(),
            b"3 2 8:2 / /srv/photographs rw - ext4 /dev/b rw\n",
        ]
        .concat();
        assert_eq!(hidden_by(&mounted), [PathBuf::from(COPIES)]);
    }

    #[test]
    fn what_is_mounted_over_a_kernel_file_system_is_copied() {
        let mounts =
            b"2 1 0:4 / /srv/box rw - proc proc rw\n3 2 8:2 / /srv/box rw - ext4 /dev/b rw\n";
        assert_eq!(hidden_by(mounts), [PathBuf::from(COPIES)]);
    }
}
