//! Writes the members of an export as one tar archive, and behind them what they are.

use std::collections::BTreeSet;
use std::io::{self, Read, Write};

use tar::{Builder, EntryType, Header};

use super::Kept;
use crate::record::Export;

/// # Errors
/// When a member cannot be read, or the stream breaks.
pub fn pack(export: &Export, members: &[&Kept], to: impl Write) -> io::Result<()> {
    let modified = export
        .generation
        .instant()
        .as_second()
        .max(0)
        .cast_unsigned();
    let mut archive = Builder::new(to);
    let mut folders = BTreeSet::new();
    for kept in members {
        for (at, _) in kept.told.name.match_indices('/') {
            let folder = &kept.told.name[..=at];
            if folders.insert(folder) {
                let header = header(EntryType::Directory, 0o700, 0, modified);
                append(&mut archive, header, folder, io::empty())?;
            }
        }
        let header = header(EntryType::Regular, 0o600, kept.told.bytes, modified);
        append(&mut archive, header, &kept.told.name, kept.open()?)?;
    }
    let mut list = serde_json::to_vec_pretty(export)?;
    list.push(b'\n');
    let header = header(EntryType::Regular, 0o600, list.len() as u64, modified);
    append(&mut archive, header, Export::NAME, &list[..])?;
    archive.into_inner()?.flush()
}

fn append(
    archive: &mut Builder<impl Write>,
    mut header: Header,
    name: &str,
    content: impl Read,
) -> io::Result<()> {
    header.set_path(name)?;
    header.set_cksum();
    archive.append(&header, content)
}

fn header(kind: EntryType, mode: u32, bytes: u64, modified: u64) -> Header {
    let mut header = Header::new_ustar();
    header.set_entry_type(kind);
    header.set_mode(mode);
    header.set_size(bytes);
    header.set_mtime(modified);
    header.set_uid(0);
    header.set_gid(0);
    header
}
