//! Manifests as files of a folder that is held open: written whole or not at all, and opened to be read.
//!
//! Everything is named from the open folder (openat(2)), never by path: when the drive goes away, the write
//! fails instead of landing on the bare mount point beneath.

use std::fs::File;
use std::io::{self, BufReader};
use std::os::fd::BorrowedFd;

use rustix::fs::{AtFlags, Mode, OFlags};
use rustix::io::Errno;

use super::heading::Heading;
use super::writer::Writer;

/// Enough that a disk reads ahead; small beside what a run may take.
const READ_AT_ONCE: usize = 128 << 10;

/// What a manifest is called until it is whole.
pub fn partial_name(name: &str) -> String {
    format!("{name}.partial")
}

/// Makes the file `NAME.partial` in `dir`, for [`Writer::begin`], which buffers. Readable by its owner only:
/// names and digests can tell as much as what lies in the files. What an earlier, cut off run left is replaced.
///
/// # Errors
/// What the kernel said.
pub fn create_in(dir: BorrowedFd<'_>, name: &str) -> io::Result<File> {
    let partial = partial_name(name);
    let flags = OFlags::WRONLY | OFlags::CREATE | OFlags::EXCL | OFlags::NOFOLLOW | OFlags::CLOEXEC;
    let mode = Mode::RUSR | Mode::WUSR;
    let opened = match rustix::fs::openat(dir, &partial, flags, mode) {
        // anew, not truncated: it may be a link to a file outside, or have another mode
        Err(Errno::EXIST) => {
            rustix::fs::unlinkat(dir, &partial, AtFlags::empty())?;
            rustix::fs::openat(dir, &partial, flags, mode)
        }
        opened => opened,
    };
    Ok(File::from(opened?))
}

/// Gives a finished and synced `NAME.partial` its name, in place of an older one.
///
/// # Errors
/// What the kernel said.
pub fn publish_in(dir: BorrowedFd<'_>, name: &str) -> io::Result<()> {
    rustix::fs::renameat(dir, partial_name(name), dir, name)?;
    flush_folder(dir)
}

/// Writes the manifest `heading.file` of `dir` whole or not at all: `fill` gives the entries; then it is
/// synced and named.
///
/// # Errors
/// Those of `fill` and of the file system; no `NAME.partial` is left, and an older manifest stays.
pub fn write_in(
    dir: BorrowedFd<'_>,
    heading: &Heading<'_>,
    fill: impl FnOnce(&mut Writer<File>) -> io::Result<()>,
) -> io::Result<()> {
    let file = create_in(dir, heading.file)?;
    let written = fill_and_sync(file, heading, fill);
    let whole = written.and_then(|()| publish_in(dir, heading.file));
    if whole.is_err() {
        // the first error is the one to tell
        let _ = rustix::fs::unlinkat(dir, partial_name(heading.file), AtFlags::empty());
    }
    whole
}

fn fill_and_sync(
    file: File,
    heading: &Heading<'_>,
    fill: impl FnOnce(&mut Writer<File>) -> io::Result<()>,
) -> io::Result<()> {
    let mut writer = Writer::begin(file, heading)?;
    fill(&mut writer)?;
    writer.finish()?.sync_all()
}

/// Opens the manifest `name` of `dir` for [`super::read`].
///
/// # Errors
/// `NotFound` without one; when it is a link or no regular file; else what the kernel said.
pub fn open_in(dir: BorrowedFd<'_>, name: &str) -> io::Result<BufReader<File>> {
    // NONBLOCK: opening a FIFO that someone put there must not wait for a writer.
    let flags = OFlags::RDONLY | OFlags::NOFOLLOW | OFlags::NONBLOCK | OFlags::CLOEXEC;
    let file = File::from(rustix::fs::openat(dir, name, flags, Mode::empty())?);
    if !file.metadata()?.is_file() {
        let words = format!("`{name}` is not a regular file");
        return Err(io::Error::new(io::ErrorKind::InvalidData, words));
    }
    Ok(BufReader::with_capacity(READ_AT_ONCE, file))
}

/// Some file systems have no way to flush a folder and say so (fsync(2), EINVAL).
fn flush_folder(dir: BorrowedFd<'_>) -> io::Result<()> {
    let flags = OFlags::RDONLY | OFlags::DIRECTORY | OFlags::CLOEXEC;
    let folder = rustix::fs::openat(dir, ".", flags, Mode::empty())?;
    match rustix::fs::fsync(&folder) {
        Err(Errno::INVAL) => Ok(()),
        flushed => Ok(flushed?),
    }
}

#[cfg(test)]
mod tests {
    use std::fs;
    use std::os::fd::AsFd;
    use std::os::unix::fs::{PermissionsExt, symlink};
    use std::path::Path;

    use super::super::{Beside, Entry, EntryKind, Time, read};
    use super::*;

    const NAME: &str = "20261125T023000Z.mtree";
    const HEADING: Heading<'_> = Heading {
        title: "studio-files of kiln, 20261125T023000Z",
        file: NAME,
        beside: Beside::Folder("20261125T023000Z"),
    };

    fn root() -> Entry {
        Entry {
            path: Vec::new(),
            kind: EntryKind::Folder,
            mode: 0o755,
            uid: 0,
            gid: 0,
            time: Time::default(),
        }
    }

    fn names(folder: &Path) -> Vec<String> {
        let entries = fs::read_dir(folder).unwrap();
        let mut names: Vec<_> = entries
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }

    #[test]
    fn a_manifest_is_named_when_it_is_whole_and_opens_again() {
        let scratch = tempfile::tempdir().unwrap();
        let dir = File::open(scratch.path()).unwrap();
        write_in(dir.as_fd(), &HEADING, |writer| {
            assert_eq!(names(scratch.path()), [partial_name(NAME)]);
            writer.entry(&root())
        })
        .unwrap();
        assert_eq!(names(scratch.path()), [NAME]);
        let mode = fs::metadata(scratch.path().join(NAME))
            .unwrap()
            .permissions();
        assert_eq!(mode.mode() & 0o7777, 0o600);
        let found = read(open_in(dir.as_fd(), NAME).unwrap()).ours_only();
        assert_eq!(found.map(Result::unwrap).collect::<Vec<_>>(), [root()]);
    }

    #[test]
    fn a_manifest_that_fails_leaves_the_older_one_and_nothing_else() {
        let scratch = tempfile::tempdir().unwrap();
        let dir = File::open(scratch.path()).unwrap();
        fs::write(scratch.path().join(NAME), "older").unwrap();
        let failing = write_in(dir.as_fd(), &HEADING, |writer| {
            writer.entry(&root())?;
            Err(io::ErrorKind::StorageFull.into())
        });
        assert_eq!(failing.unwrap_err().kind(), io::ErrorKind::StorageFull);
        // of nothing
        assert!(write_in(dir.as_fd(), &HEADING, |_| Ok(())).is_err());
        assert_eq!(names(scratch.path()), [NAME]);
        assert_eq!(fs::read(scratch.path().join(NAME)).unwrap(), b"older");
    }

    #[test]
    fn what_lies_under_the_partial_name_is_replaced_and_not_written_through() {
        let scratch = tempfile::tempdir().unwrap();
        let dir = File::open(scratch.path()).unwrap();
        let outside = scratch.path().join("outside");
        fs::write(&outside, "kept").unwrap();
        let partial = scratch.path().join(partial_name(NAME));
        for by_hard_link in [true, false] {
            if by_hard_link {
                fs::hard_link(&outside, &partial).unwrap();
            } else {
                symlink(&outside, &partial).unwrap();
            }
            write_in(dir.as_fd(), &HEADING, |writer| writer.entry(&root())).unwrap();
        }
        assert_eq!(fs::read(&outside).unwrap(), b"kept");
        assert_eq!(names(scratch.path()), [NAME, "outside"]);
    }

    #[test]
    fn only_a_regular_file_opens_as_a_manifest() {
        let scratch = tempfile::tempdir().unwrap();
        let dir = File::open(scratch.path()).unwrap();
        let path = |name: &str| scratch.path().join(name);
        fs::write(path("real"), "").unwrap();
        symlink("real", path("link")).unwrap();
        fs::create_dir(path("folder")).unwrap();
        let fifo = rustix::fs::FileType::Fifo;
        rustix::fs::mknodat(&dir, "fifo", fifo, Mode::RUSR, 0).unwrap();
        for name in ["link", "folder", "fifo"] {
            assert!(open_in(dir.as_fd(), name).is_err(), "{name}");
        }
        let missing = open_in(dir.as_fd(), "missing").unwrap_err();
        assert_eq!(missing.kind(), io::ErrorKind::NotFound);
        open_in(dir.as_fd(), "real").unwrap();
    }
}
