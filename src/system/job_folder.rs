//! What lies in a job's folder on its drive: names, and the drive's own catalogue.

use std::ffi::OsStr;
use std::io;
use std::os::fd::{AsFd, BorrowedFd, OwnedFd};
use std::os::unix::ffi::OsStrExt;
use std::path::Path;

use jiff::Timestamp;
use rustix::fs::{AtFlags, Mode, OFlags, StatxFlags, openat, statx};
use rustix::time::ClockId;

use super::Answer;
use super::remote_drive::{ask_remote, ask_script};
use crate::plan::{Argv, Stop};
use crate::record::{
    CatalogueTrouble, EntryType, Form, FoundEntry, Generation, GenerationName, Outcome, catalogue,
    list_in,
};
use crate::tools::ssh::{HostKey, SshLine, remote_words};
use crate::tools::{Ended, files, find};

/// What lies in a job's folder. All empty when there is no folder yet.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Listing {
    pub found: Vec<FoundEntry>,
    /// The drive's own list of generations, retired ones too.
    pub catalogue: Vec<Generation>,
    /// Lines of the catalogue that could not be read.
    pub troubles: Vec<String>,
}

impl Listing {
    fn new(
        found: Vec<FoundEntry>,
        (catalogue, troubles): (Vec<Generation>, Vec<CatalogueTrouble>),
    ) -> Self {
        Self {
            found,
            catalogue,
            troubles: troubles.iter().map(ToString::to_string).collect(),
        }
    }
}

impl Listing {
    /// The generations that have a manifest.
    pub fn manifests(&self) -> Vec<GenerationName> {
        let name = |found: &FoundEntry| match found {
            FoundEntry::Manifest { name } => Some(*name),
            _ => None,
        };
        self.found.iter().filter_map(name).collect()
    }

    /// Whether there is a manifest of a generation that is there.
    pub fn has_manifest(&self, generation: &Generation) -> bool {
        self.found.iter().any(|found| match found {
            FoundEntry::Manifest { name } => {
                generation.form != Form::Current && *name == generation.name
            }
            FoundEntry::CurrentManifest => generation.form == Form::Current,
            _ => false,
        })
    }
}

/// Those of `entries`, in a job's folder on a held drive, that were made since the system was started. What is older
/// may never have reached the disk before a power cut.
pub fn made_since_start(root: BorrowedFd, folder: &Path, entries: &[String]) -> Vec<String> {
    let Ok(held) = open_below(root, folder) else {
        return Vec::new();
    };
    let clock = |id| rustix::time::clock_gettime(id).tv_sec;
    let started = clock(ClockId::Realtime) - clock(ClockId::Boottime);
    let is_fresh = |entry: &&String| {
        let flags = AtFlags::SYMLINK_NOFOLLOW;
        statx(&held, entry.as_str(), flags, StatxFlags::BTIME).is_ok_and(|found| {
            found.stx_mask & StatxFlags::BTIME.bits() != 0 && found.stx_btime.tv_sec > started
        })
    };
    entries.iter().filter(is_fresh).cloned().collect()
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
    let found = list_in(held.as_fd())?;
    match catalogue::read_in(held.as_fd()) {
        Ok(read) => Ok(Listing::new(found, read)),
        // as good as none: what lies in the folder and the record tell the rest
        Err(error) if error.kind() == io::ErrorKind::InvalidData => Ok(Listing {
            found,
            troubles: vec![format!("{error}: set aside and written anew")],
            ..Listing::default()
        }),
        Err(error) => Err(error),
    }
}

/// Lists the job's folder on a remote drive; `path` is the folder there.
///
/// # Errors
/// A [`Stop`] when the host does not answer or the folder cannot be read.
pub fn list_remote(line: &SshLine, path: &Path) -> Result<Listing, Stop> {
    let is_there = remote_words(&Argv::new("test").arg("-e").arg(path));
    let list = remote_words(&find::entries_in(path));
    let script = [
        b"if ".as_slice(),
        &is_there,
        b"; then ",
        &list,
        b"; else exit 9; fi",
    ]
    .concat();
    let answer = ask_script(line, &script, HostKey::Pinned)?;
    if answer.ended == Ended::Exit(9) {
        return Ok(Listing::default());
    }
    if !answer.is_well() {
        return Err(unreadable(line, path, &answer));
    }
    let entries: Vec<RemoteEntry> = answer
        .stdout
        .split(|b| *b == 0)
        .filter_map(RemoteEntry::read)
        .collect();
    let catalogue = if entries.iter().any(|entry| entry.name == catalogue::FILE) {
        let file = path.join(catalogue::FILE);
        let answer = ask_remote(line, &files::print(&file))?;
        if !answer.is_well() {
            return Err(unreadable(line, &file, &answer));
        }
        catalogue::parse(&answer.stdout)
    } else {
        Default::default()
    };
    let mut found: Vec<FoundEntry> = entries.iter().filter_map(RemoteEntry::found).collect();
    found.sort();
    Ok(Listing::new(found, catalogue))
}

pub(super) fn unreadable(line: &SshLine, path: &Path, answer: &Answer) -> Stop {
    let reason = format!(
        "cannot read `{}` on `{}`: {}",
        path.display(),
        line.host,
        answer.stderr.trim()
    );
    Stop::new(Outcome::Failed, reason).advise(format!(
        "look at the disk of `{}`, and whether that folder belongs to `{}`",
        line.host, line.host.user
    ))
}

/// One entry as `tools::find::entries_in` prints it: `d 1795573800.5 NAME`.
struct RemoteEntry<'a> {
    entry_type: Option<EntryType>,
    changed: Timestamp,
    name: &'a OsStr,
}

impl<'a> RemoteEntry<'a> {
    fn read(record: &'a [u8]) -> Option<Self> {
        let mut words = record.splitn(3, |b| *b == b' ');
        let entry_type = match words.next()? {
            b"d" => Some(EntryType::Folder),
            b"f" => Some(EntryType::File),
            _ => None,
        };
        let seconds = std::str::from_utf8(words.next()?)
            .ok()?
            .split('.')
            .next()?
            .parse()
            .ok()?;
        Some(Self {
            entry_type,
            changed: Timestamp::from_second(seconds).ok()?,
            name: OsStr::from_bytes(words.next()?),
        })
    }

    fn found(&self) -> Option<FoundEntry> {
        FoundEntry::read(self.name, self.entry_type?, self.changed)
    }
}
