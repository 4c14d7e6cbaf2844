//! Takes an export apart again, and holds its members against what it says of them.

use std::io::{self, Read};
use std::path::Path;

use super::{Kept, keep};
use crate::plan::{Content, Member};
use crate::record::{Counted, Export};

/// What tells of an export is no longer than this.
const MOST_OF_LIST: u64 = 64 << 20;
/// An export has no more members than this.
const MOST_MEMBERS: usize = 100_000;

/// # Errors
/// When the stream breaks, the archive is cut off or damaged, or was made by a newer version.
pub fn unpack(from: impl Read, scratch: &Path) -> io::Result<(Export, Vec<Kept>)> {
    let mut archive = tar::Archive::new(from);
    let mut kept = Vec::new();
    let mut list = None;
    for entry in archive.entries()? {
        let mut entry = entry?;
        if !entry.header().entry_type().is_file() {
            continue;
        }
        let name = String::from_utf8(entry.path_bytes().into_owned())
            .map_err(|_| wrong("a member's name is no text"))?;
        if name == Export::NAME {
            let mut text = Vec::new();
            entry.take(MOST_OF_LIST).read_to_end(&mut text)?;
            list = Some(read_list(&text)?);
            continue;
        }
        if kept.len() >= MOST_MEMBERS {
            return Err(wrong(&format!("it has more than {MOST_MEMBERS} members")));
        }
        let member = Member {
            content: content(&name),
            name,
        };
        kept.push(keep(&member, &mut entry, scratch)?);
    }
    // the rest, so that what is before it can tell whether it was whole
    io::copy(&mut archive.into_inner(), &mut io::sink())?;
    let list = list.ok_or_else(|| {
        wrong(&format!(
            "`{}` is missing: it is no export, or was cut off",
            Export::NAME
        ))
    })?;
    check(&list, &kept)?;
    Ok((list, kept))
}

fn content(name: &str) -> Content {
    if Path::new(name).extension() == Some("ldif".as_ref()) {
        Content::Ldif
    } else if name.ends_with(".tables.json") {
        Content::Tables
    } else {
        Content::Plain
    }
}

fn read_list(text: &[u8]) -> io::Result<Export> {
    #[derive(serde::Deserialize)]
    struct Format {
        hayloft_export: u32,
    }
    let malformed = |error: serde_json::Error| wrong(&format!("`{}`: {error}", Export::NAME));
    let format: Format = serde_json::from_slice(text).map_err(malformed)?;
    if format.hayloft_export > Export::FORMAT {
        return Err(wrong(&format!(
            "it is of format {}, and this version of hayloft knows {}: install a newer one",
            format.hayloft_export,
            Export::FORMAT
        )));
    }
    serde_json::from_slice(text).map_err(malformed)
}

/// Everything that is told of is there, as it was, and nothing else.
fn check(list: &Export, kept: &[Kept]) -> io::Result<()> {
    for told in &list.members {
        let found = kept.iter().find(|one| one.told.name == told.name);
        let found = found.ok_or_else(|| wrong(&format!("`{}` is missing", told.name)))?;
        if found.told.sha256 != told.sha256 || found.told.bytes != told.bytes {
            return Err(wrong(&format!("`{}` is not as it was written", told.name)));
        }
        let counts = (found.told.count, told.count);
        if let (Some(found), Some(count)) = counts
            && found != count
        {
            let (_, many) = Counted::words(count.of);
            return Err(wrong(&format!(
                "`{}` has {} {many}, and had {}",
                told.name, found.amount, count.amount
            )));
        }
    }
    let stranger = kept
        .iter()
        .find(|one| list.members.iter().all(|told| told.name != one.told.name));
    stranger.map_or(Ok(()), |one| {
        Err(wrong(&format!("`{}` does not belong to it", one.told.name)))
    })
}

fn wrong(why: &str) -> io::Error {
    io::Error::new(io::ErrorKind::InvalidData, format!("the export: {why}"))
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeMap;

    use super::super::pack;
    use super::*;
    use crate::jobs::{KindName, Name};
    use crate::record::GenerationName;

    /// An export of one member, with what it says of itself changed.
    fn packed(folder: &Path, change: impl FnOnce(&mut Export)) -> Vec<u8> {
        let member = Member {
            name: "people.ldif".to_owned(),
            content: Content::Ldif,
        };
        let text = b"dn: dc=studio,dc=example\ndc: studio\n\n";
        let kept = keep(&member, &text[..], folder).unwrap();
        let mut export = Export {
            hayloft_export: Export::FORMAT,
            server: Name::parse("kiln").unwrap(),
            job: Name::parse("accounts").unwrap(),
            kind: KindName::Directory,
            generation: GenerationName::parse("20261125T023000Z").unwrap(),
            told: BTreeMap::new(),
            members: vec![kept.told.clone()],
        };
        change(&mut export);
        let mut archive = Vec::new();
        pack(&export, &[&kept], &mut archive).unwrap();
        archive
    }

    fn refused(archive: &[u8], folder: &Path, says: &str) {
        let Err(error) = unpack(archive, folder) else {
            panic!("taken apart, and should say {says}");
        };
        assert!(error.to_string().contains(says), "{error}");
    }

    #[test]
    fn an_export_comes_apart_as_it_was_packed_and_not_when_it_is_newer_cut_off_or_another() {
        let folder = tempfile::tempdir().unwrap();
        let folder = folder.path();
        let archive = packed(folder, |_| {});
        let (export, kept) = unpack(&archive[..], folder).unwrap();
        assert_eq!(export.members[0], kept[0].told);
        let newer = packed(folder, |export| export.hayloft_export += 1);
        refused(&newer, folder, "install a newer one");
        let other = packed(folder, |export| export.members[0].sha256 = "0".repeat(64));
        refused(&other, folder, "is not as it was written");
        let stranger = packed(folder, |export| export.members.clear());
        refused(&stranger, folder, "does not belong to it");
        // without its last member, as when it was cut off there: an archive ends with two empty blocks
        refused(&[&archive[..1024], &[0; 1024]].concat(), folder, "cut off");
    }
}
