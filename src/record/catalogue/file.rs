//! Reads and replaces `catalogue.jsonl` within a folder that is held open.
//!
//! Everything is named from the open folder (openat(2)), never by path: when the drive goes away, the write
//! fails instead of landing on the bare mount point beneath.

use std::fs::File;
use std::io::{self, Read, Write};
use std::os::fd::BorrowedFd;

use rustix::fs::{Mode, OFlags};
use rustix::io::Errno;

use super::{CatalogueTrouble, parse, render};
use crate::record::Generation;

pub const FILE: &str = "catalogue.jsonl";
/// A catalogue with lines that could not be read is kept under this name when a new one is written.
pub const DAMAGED: &str = ".catalogue.jsonl.damaged";
const FRESH: &str = ".catalogue.jsonl.new";

/// Far more than any catalogue of ours: about 20,000 lines.
const MOST_BYTES: u64 = 16 << 20;

/// Read the catalogue of the job's folder `dir`. A folder without one has an empty list.
///
/// # Errors
/// When the file is there and cannot be read, is no regular file, or is longer than 16 MiB.
pub fn read_in(dir: BorrowedFd<'_>) -> io::Result<(Vec<Generation>, Vec<CatalogueTrouble>)> {
    let text = read_bytes(dir)?.unwrap_or_default();
    Ok(parse(&text))
}

/// Replace the catalogue of the job's folder `dir`: written whole beside it, flushed, renamed.
///
/// # Errors
/// Those of the file system; the old catalogue is then still there, under its name or as [`DAMAGED`].
pub fn write_in(dir: BorrowedFd<'_>, generations: &[Generation]) -> io::Result<()> {
    let text = render(generations);
    let flags =
        OFlags::WRONLY | OFlags::CREATE | OFlags::TRUNC | OFlags::NOFOLLOW | OFlags::CLOEXEC;
    let mode = Mode::RUSR | Mode::WUSR | Mode::RGRP | Mode::ROTH;
    let mut fresh = File::from(rustix::fs::openat(dir, FRESH, flags, mode)?);
    fresh.write_all(text.as_bytes())?;
    fresh.sync_all()?;
    drop(fresh);
    keep_unreadable(dir)?;
    rustix::fs::renameat(dir, FRESH, dir, FILE)?;
    flush_folder(dir)?;
    Ok(())
}

/// Lines we cannot read may still mean something to a person or a newer version.
fn keep_unreadable(dir: BorrowedFd<'_>) -> io::Result<()> {
    let damaged = match read_bytes(dir) {
        Ok(None) => false,
        Ok(Some(text)) => !parse(&text).1.is_empty(),
        Err(_) => true,
    };
    if damaged {
        rustix::fs::renameat(dir, FILE, dir, DAMAGED)?;
    }
    Ok(())
}

fn read_bytes(dir: BorrowedFd<'_>) -> io::Result<Option<Vec<u8>>> {
    // NONBLOCK: opening a FIFO that someone put there must not wait for a writer.
    let flags = OFlags::RDONLY | OFlags::NOFOLLOW | OFlags::NONBLOCK | OFlags::CLOEXEC;
    let file = match rustix::fs::openat(dir, FILE, flags, Mode::empty()) {
        Err(Errno::NOENT) => return Ok(None),
        opened => File::from(opened?),
    };
    let meta = file.metadata()?;
    if !meta.is_file() || meta.len() > MOST_BYTES {
        let words = format!("`{FILE}` is not a file, or is longer than {MOST_BYTES} bytes");
        return Err(io::Error::new(io::ErrorKind::InvalidData, words));
    }
    let mut text = Vec::new();
    file.take(MOST_BYTES).read_to_end(&mut text)?;
    Ok(Some(text))
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
