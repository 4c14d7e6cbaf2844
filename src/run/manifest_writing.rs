//! Writes manifests as files: on a local drive beside the copy, or on this server, to be sent to another host.

use std::fs::File;
use std::io::{self, Seek};
use std::os::fd::{AsFd, OwnedFd};
use std::path::Path;

use super::Executor;
use crate::plan::{Pipeline, Stdin, Step, Stop};
use crate::prove::manifest::{Entry, EntryKind, Heading, Time, Writer};
use crate::tools::files::{self, Told};
use crate::tools::ssh::HostKey;
use crate::tree::index::NewIndex;
use crate::tree::listing::{self, Totals};

impl Executor<'_> {
    /// The first words of a manifest: `studio-files of kiln, 20261125T023000Z`.
    pub(super) fn title(&self) -> String {
        let server = self.keeper.as_ref().map(|keeper| keeper.server.as_str());
        let (job, generation) = (&self.plan.job, self.plan.generation);
        format!("{job} of {}, {generation}", server.unwrap_or_default())
    }

    /// Sends a file of this server to the job's folder on another host: all of it, or the step fails.
    pub(super) fn send(&mut self, step: &Step, mut file: File, to: &str) -> Result<(), Stop> {
        let Some(line) = self.plan.landing.ssh() else {
            return Ok(());
        };
        let length = file.metadata().and_then(|found| {
            file.rewind()?;
            Ok(found.len())
        });
        let length = length.map_err(|error| self.drive_error(&error))?;
        let path = self.plan.landing.path().join(to);
        let script = files::write_all_from_stdin(&path, length);
        let pipeline = Pipeline {
            stdin: Stdin::Names,
            ..Pipeline::plain(line.script(&script, HostKey::Pinned))
        }
        .retrying(crate::plan::kinds::waits());
        self.tries(step, &pipeline, Some(&file.into()))?;
        Ok(())
    }
}

/// Writes the manifest of what `index` tells to `file`. It is flushed with the copy that it tells of.
pub(super) fn write_manifest(
    file: File,
    top: &Entry,
    heading: &Heading,
    index: &NewIndex,
) -> io::Result<Totals> {
    let mut writer = Writer::begin(file, heading)?;
    writer.entry(top)?;
    let totals = listing::list(index, |entry| writer.entry(entry))?;
    writer.finish()?;
    Ok(totals)
}

/// A folder of this server as the root of a manifest.
pub(super) fn top_of(folder: &OwnedFd) -> io::Result<Entry> {
    let found = rustix::fs::fstat(folder.as_fd())?;
    Ok(Entry {
        path: Vec::new(),
        kind: EntryKind::Folder,
        mode: found.st_mode & 0o7777,
        uid: found.st_uid,
        gid: found.st_gid,
        time: Time {
            seconds: found.st_mtime,
            nanos: u32::try_from(found.st_mtime_nsec).unwrap_or(0),
        },
    })
}

/// A folder of another host as the root of a manifest.
pub(super) fn top_there(told: Told) -> Entry {
    Entry {
        path: Vec::new(),
        kind: EntryKind::Folder,
        mode: told.mode,
        uid: told.uid,
        gid: told.gid,
        time: time_of(told),
    }
}

pub(super) fn time_of(told: Told) -> Time {
    let (seconds, nanos) = told.modified;
    Time { seconds, nanos }
}

/// A new file on the server of which nothing is left when it is closed.
pub(super) fn passing_file(folder: &Path) -> io::Result<File> {
    crate::system::source_indexes::make(folder)?;
    let path = folder.join(format!("passing-{}.mtree", std::process::id()));
    let mut options = File::options();
    options.read(true).write(true).create(true).truncate(true);
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let file = options.open(&path)?;
    std::fs::remove_file(&path)?;
    Ok(file)
}
