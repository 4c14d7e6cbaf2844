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
