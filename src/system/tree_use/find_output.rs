//! The same measure from a list that GNU find printed on another host.
//!
//! The command is `find JOB-FOLDER -xdev -printf '%D %i %n %b %y %P\0'`: for each entry its device, inode,
//! number of names, 512-byte blocks, type letter and path below the starting point, ended by a NUL
//! (find(1), "Printf Format"). The starting point itself has an empty path.

use super::TreeUse;
use super::tally::{Entry, FileKey, Sharing, Tally, owner_of};
use std::os::unix::ffi::OsStrExt;

pub use crate::tools::find::INODE_FORMAT as FIND_FORMAT;

struct Record<'a> {
    device: u64,
    inode: u64,
    links: u64,
    blocks: u64,
    folder: bool,
    path: &'a [u8],
}

/// Measure from what find printed with [`FIND_FORMAT`]. A record that cannot be read, such as the last one of
/// a broken connection, is noted and left out; so is one from another file system.
pub fn from_find_output(output: &[u8]) -> TreeUse {
    let mut tally = Tally::default();
    let mut device = None;
    let mut ended = true;
    for chunk in output.split_inclusive(|byte| *byte == 0) {
        ended = chunk.ends_with(b"\0");
        let text = chunk.strip_suffix(b"\0").unwrap_or(chunk);
        let Some(record) = read(text).filter(|_| ended) else {
            tally.note(format!(
                "not counted: find printed `{}`",
                text.escape_ascii()
            ));
            continue;
        };
        if *device.get_or_insert(record.device) != record.device {
            let path = std::ffi::OsStr::from_bytes(record.path);
            let words = "another file system is mounted here; not counted";
            tally.note(format!("`{}`: {words}", path.display()));
            continue;
        }
        tally.add(Entry {
            owner: owner_of(first_part(record.path)),
            sharing: if record.folder || (record.links == 1 && !record.path.contains(&b'/')) {
                Sharing::Never
            } else if record.links > 1 {
                Sharing::With(FileKey::Inode(record.inode))
            } else {
                Sharing::NotYet
            },
            blocks: record.blocks,
        });
    }
    if device.is_none() || !ended {
        tally.note("find ended early: the use is not complete".to_owned());
    }
    tally.finish()
}

fn read(text: &[u8]) -> Option<Record<'_>> {
    let mut parts = text.splitn(6, |byte| *byte == b' ');
    let mut number = || str::from_utf8(parts.next()?).ok()?.parse::<u64>().ok();
    let (device, inode, links, blocks) = (number()?, number()?, number()?, number()?);
    let kind = parts.next()?;
    Some(Record {
        device,
        inode,
        links,
        blocks,
        folder: kind == b"d",
        path: parts.next()?,
    })
}

fn first_part(path: &[u8]) -> &[u8] {
    path.split(|byte| *byte == b'/').next().unwrap_or(path)
}
