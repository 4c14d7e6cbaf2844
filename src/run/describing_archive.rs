//! The step that writes the manifest of an archive: one file, with the digest of what was written.

use std::fs::File;
use std::io;
use std::os::fd::AsFd;

use rustix::fs::{AtFlags, statat};

use super::Executor;
use super::manifest_writing::{passing_file, time_of, top_of, top_there};
use super::native_watch::index_error;
use crate::plan::{DescribeArchive, Step, Stop};
use crate::prove::archive::Sum;
use crate::prove::manifest::{self, Beside, Entry, EntryKind, Heading, Time, Writer};
use crate::record::Outcome;

impl Executor<'_> {
    pub(super) fn describe_archive(
        &mut self,
        step: &Step,
        wanted: &DescribeArchive,
    ) -> Result<String, Stop> {
        let sum = Sum::read(&wanted.sum).map_err(|error| index_error(&error))?;
        // of no use any more, and written anew by the next run
        let _ = std::fs::remove_file(&wanted.sum);
        let title = self.title();
        let heading = Heading {
            title: &title,
            file: &wanted.manifest,
            beside: Beside::Archive(&wanted.entry),
        };
        if self.plan.landing.ssh().is_some() {
            let entry = self.archive_there(wanted, sum)?;
            let top = top_there(self.told_there(".")?);
            let file = passing_file(&wanted.scratch).and_then(|file| {
                write_two(file.try_clone()?, &heading, &top, &entry)?;
                Ok(file)
            });
            let file = file.map_err(|error| index_error(&error))?;
            self.send(step, file, &manifest::partial_name(&wanted.manifest))?;
            if let Some(contents) = &wanted.contents {
                let file = File::open(&contents.here).map_err(|error| index_error(&error))?;
                self.send(step, file, &manifest::partial_name(&contents.name))?;
                let _ = std::fs::remove_file(&contents.here);
            }
        } else {
            let entry = self.archive_here(wanted, sum)?;
            let folder = self.folder()?;
            let file = manifest::create_in(folder.as_fd(), &wanted.manifest);
            file.and_then(|file| write_two(file, &heading, &top_of(&folder)?, &entry))
                .map_err(|error| self.drive_error(&error))?;
        }
        Ok("done".to_owned())
    }

    fn archive_here(&self, wanted: &DescribeArchive, sum: Sum) -> Result<Entry, Stop> {
        let folder = self.folder()?;
        let found = statat(&folder, wanted.partial.as_str(), AtFlags::SYMLINK_NOFOLLOW);
        let found = found.map_err(|error| self.drive_error(&error.into()))?;
        is_all(sum, found.st_size.cast_unsigned(), &wanted.partial)?;
        Ok(Entry {
            path: wanted.entry.clone().into_bytes(),
            kind: kind(sum),
            mode: found.st_mode & 0o7777,
            uid: found.st_uid,
            gid: found.st_gid,
            time: Time {
                seconds: found.st_mtime,
                nanos: u32::try_from(found.st_mtime_nsec).unwrap_or(0),
            },
        })
    }

    fn archive_there(&self, wanted: &DescribeArchive, sum: Sum) -> Result<Entry, Stop> {
        let told = self.told_there(&wanted.partial)?;
        is_all(sum, told.size, &wanted.partial)?;
        Ok(Entry {
            path: wanted.entry.clone().into_bytes(),
            kind: kind(sum),
            mode: told.mode,
            uid: told.uid,
            gid: told.gid,
            time: time_of(told),
        })
    }
}

fn kind(sum: Sum) -> EntryKind {
    EntryKind::File {
        size: sum.length,
        digest: Some(sum.digest),
    }
}

/// What was handed on must lie there, all of it.
fn is_all(sum: Sum, length: u64, partial: &str) -> Result<(), Stop> {
    if sum.length == length {
        return Ok(());
    }
    let handed_on = sum.length;
    let reason = format!("`{partial}` has {length} bytes, but {handed_on} were written to it");
    Err(Stop::new(Outcome::Failed, reason).advise("look at the drive and `dmesg`"))
}

fn write_two(file: File, heading: &Heading, top: &Entry, entry: &Entry) -> io::Result<()> {
    let mut writer = Writer::begin(file, heading)?;
    writer.entry(top)?;
    writer.entry(entry)?;
    writer.finish()?.sync_all()
}
