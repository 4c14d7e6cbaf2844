//! Writes a manifest as the entries come.

use std::io::{self, Write};

use sha2::{Digest as _, Sha256};

use super::ending::Ending;
use super::entry::{Digest, Entry, EntryKind, Time};
use super::heading::Heading;
use super::lines::MOST_BYTES;
use super::shared::Shared;
use super::{decimal, vis};

/// Bytes that are gathered before they are digested and handed on.
const GATHERED: usize = 128 << 10;

/// Takes entries depth first: a folder, then all that is below it, each path once. Buffers by itself.
#[derive(Debug)]
pub struct Writer<W> {
    pub(super) out: W,
    text: Vec<u8>,
    digest: Sha256,
    entries: u64,
    /// The folder that the next line would be in.
    folder: Vec<u8>,
    set: Option<Shared>,
    /// Of the file before.
    last: Option<Shared>,
    broken: bool,
}

impl<W: Write> Writer<W> {
    /// # Errors
    /// Those of `out`.
    pub fn begin(out: W, heading: &Heading<'_>) -> io::Result<Self> {
        let mut writer = Self {
            out,
            text: Vec::with_capacity(GATHERED + 8192),
            digest: Sha256::new(),
            entries: 0,
            folder: Vec::new(),
            set: None,
            last: None,
            broken: false,
        };
        writer.text.extend(heading.render());
        writer.hand_on()?;
        Ok(writer)
    }

    /// Writes one entry; the first is the root.
    ///
    /// # Errors
    /// Those of `out`; `InvalidInput`, and nothing is written, for an entry that does not follow the one
    /// before depth first, or that no manifest can hold.
    pub fn entry(&mut self, entry: &Entry) -> io::Result<()> {
        let (parent, name) = split(&entry.path);
        self.check_order(entry, parent)?;
        check(entry, name)?;
        self.leave_folders_until(parent);
        self.share(entry);
        if entry.path.is_empty() {
            self.text.push(b'.');
        } else {
            vis::encode(name, &mut self.text);
        }
        push_keywords(entry, self.set, &mut self.text);
        if entry.kind == EntryKind::Folder {
            self.folder.clear();
            self.folder.extend_from_slice(&entry.path);
        }
        self.entries += 1;
        if self.text.len() >= GATHERED {
            self.hand_on()?;
        }
        Ok(())
    }

    /// Writes the last line and hands everything on; `out` itself is flushed, not synced to a disk.
    ///
    /// # Errors
    /// Those of `out`; when an earlier write failed; when there was no entry.
    pub fn finish(mut self) -> io::Result<W> {
        if self.entries == 0 {
            return Err(refused("a manifest must tell of the root at least"));
        }
        self.hand_on()?;
        let ending = Ending::of(self.entries, &self.digest);
        self.out.write_all(&ending.render())?;
        self.out.flush()?;
        Ok(self.out)
    }

    fn check_order(&self, entry: &Entry, parent: &[u8]) -> io::Result<()> {
        if entry.path.is_empty() != (self.entries == 0) {
            return Err(refused("the root of a manifest must come first, and once"));
        }
        if !is_within(&self.folder, parent) {
            let words = "its folder is not one of those that the entry before lies in";
            return Err(refused_entry(entry, words));
        }
        Ok(())
    }

    fn leave_folders_until(&mut self, parent: &[u8]) {
        while self.folder.len() > parent.len() {
            let up = self.folder.iter().rposition(|&byte| byte == b'/');
            self.folder.truncate(up.unwrap_or(0));
            self.text.extend(b"..\n");
        }
    }

    fn share(&mut self, entry: &Entry) {
        let own = Shared::of(entry);
        let is_file = matches!(entry.kind, EntryKind::File { .. });
        let pays = is_file && self.last == Some(own);
        if self.set.is_none() || (pays && self.set != Some(own)) {
            // the root's owner is a good guess until files have been seen
            let mode = if is_file { own.mode } else { 0o644 };
            let set = Shared { mode, ..own };
            set.push_set(&mut self.text);
            self.set = Some(set);
        }
        if is_file {
            self.last = Some(own);
        }
    }

    fn hand_on(&mut self) -> io::Result<()> {
        if self.broken {
            return Err(io::Error::other("an earlier write of the manifest failed"));
        }
        self.digest.update(&self.text);
        self.broken = true;
        self.out.write_all(&self.text)?;
        self.broken = false;
        self.text.clear();
        Ok(())
    }
}

/// Whether `folder` is `above`, or lies below it.
fn is_within(folder: &[u8], above: &[u8]) -> bool {
    match folder.strip_prefix(above) {
        Some(rest) => above.is_empty() || rest.is_empty() || rest[0] == b'/',
        None => false,
    }
}

/// The folder's path, and the name in there.
fn split(path: &[u8]) -> (&[u8], &[u8]) {
    match path.iter().rposition(|&byte| byte == b'/') {
        Some(at) => (&path[..at], &path[at + 1..]),
        None => (&path[..0], path),
    }
}

fn check(entry: &Entry, name: &[u8]) -> io::Result<()> {
    let is_root = entry.path.is_empty();
    if is_root && entry.kind != EntryKind::Folder {
        return Err(refused("the root of a manifest must be a folder"));
    }
    let is_name = !matches!(name, b"" | b"." | b"..") && !name.contains(&0);
    if !is_root && (!is_name || entry.path[0] == b'/') {
        return Err(refused_entry(entry, "no name that a folder can hold"));
    }
    if entry.mode > 0o7777 || entry.time.nanos > 999_999_999 {
        let words = "its mode has more than twelve bits, or its time a billion nanoseconds";
        return Err(refused_entry(entry, words));
    }
    let target = match &entry.kind {
        EntryKind::Link { target } => target.as_slice(),
        _ => &[],
    };
    // in octal each byte takes four, and the keywords take less than the rest
    if target.contains(&0) || (entry.path.len() + target.len()) * 4 > MOST_BYTES - 1024 {
        return Err(refused_entry(entry, "too long, or a link with a NUL"));
    }
    Ok(())
}

fn push_keywords(entry: &Entry, set: Option<Shared>, out: &mut Vec<u8>) {
    match entry.kind {
        EntryKind::Folder => out.extend(b" type=dir"),
        EntryKind::File { .. } => {}
        EntryKind::Link { .. } => out.extend(b" type=link"),
        EntryKind::Fifo => out.extend(b" type=fifo"),
        // libarchive 3.6.2 writes this type and does not know it when it reads: it takes it for a file
        EntryKind::Socket => out.extend(b" type=socket"),
        EntryKind::CharDevice { .. } => out.extend(b" type=char"),
        EntryKind::BlockDevice { .. } => out.extend(b" type=block"),
    }
    Shared::of(entry).push_unlike(set, out);
    push_time(entry.time, out);
    match &entry.kind {
        EntryKind::File { size, digest } => {
            out.extend(b" size=");
            decimal::push(*size, 1, out);
            if let Some(digest) = digest {
                push_digest(digest, out);
            }
        }
        EntryKind::Link { target } => {
            out.extend(b" link=");
            vis::encode(target, out);
        }
        EntryKind::CharDevice { major, minor } | EntryKind::BlockDevice { major, minor } => {
            // the one form that both programs write or read
            out.extend(b" device=native,");
            decimal::push((*major).into(), 1, out);
            out.push(b',');
            decimal::push((*minor).into(), 1, out);
        }
        EntryKind::Folder | EntryKind::Fifo | EntryKind::Socket => {}
    }
    out.push(b'\n');
}

/// Both programs take what follows the point for a number of nanoseconds, not for a fraction, and add it to
/// the seconds: -0.5 s is `-1.500000000`. (`mtree` compares no more than microseconds.)
fn push_time(time: Time, out: &mut Vec<u8>) {
    out.extend(b" time=");
    if time.seconds < 0 {
        out.push(b'-');
    }
    decimal::push(time.seconds.unsigned_abs(), 1, out);
    out.push(b'.');
    decimal::push(time.nanos.into(), 9, out);
}

fn push_digest(digest: &Digest, out: &mut Vec<u8>) {
    const HEX: &[u8; 16] = b"0123456789abcdef";
    out.extend(b" sha256=");
    let mut digits = [0; 64];
    for (pair, byte) in digits.as_chunks_mut::<2>().0.iter_mut().zip(digest.0) {
        *pair = [HEX[usize::from(byte >> 4)], HEX[usize::from(byte & 15)]];
    }
    out.extend_from_slice(&digits);
}

fn refused(words: &str) -> io::Error {
    io::Error::new(io::ErrorKind::InvalidInput, words)
}

fn refused_entry(entry: &Entry, words: &str) -> io::Error {
    refused(&format!(
        "`{}` in a manifest: {words}",
        entry.path.escape_ascii()
    ))
}
