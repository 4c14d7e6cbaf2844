//! What is seen in a job's folder on a drive, by names alone.

use std::ffi::OsStr;
use std::io;
use std::os::fd::BorrowedFd;
use std::os::unix::ffi::OsStrExt;

use jiff::Timestamp;
use rustix::fs::{AtFlags, Dir, FileType};

use super::{Form, GenerationName};

/// An entry of a job's folder that means something to a rebuild.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum FoundEntry {
    /// A whole generation, for every form but `current/`.
    Generation { name: GenerationName, form: Form },
    /// The folder `current/` of a mirror, with the time of its last change.
    Current { changed: Timestamp },
    /// `NAME.mtree`, the manifest of a generation.
    Manifest { name: GenerationName },
    /// What is in an archive: `NAME.contents.mtree`, or `NAME.contents.mtree.age`.
    Contents { name: GenerationName, form: Form },
    /// `NAME.inventory.txt`, beside an export of settings.
    Inventory { name: GenerationName },
    /// `current.mtree`, the manifest of a mirror.
    CurrentManifest,
    /// Something under a `.partial` name that was never finished.
    Partial { entry: String },
}

/// Whether an entry is a folder. A link is neither.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EntryType {
    Folder,
    File,
}

impl FoundEntry {
    /// What an entry's name tells; `None` for everything that is not hayloft's.
    pub fn read(name: &OsStr, entry_type: EntryType, changed: Timestamp) -> Option<Self> {
        let text = name.to_str()?;
        match (text, entry_type) {
            ("current", EntryType::Folder) => return Some(Self::Current { changed }),
            ("current.mtree", EntryType::File) => return Some(Self::CurrentManifest),
            ("current.mtree.partial", _) => {
                return Some(Self::Partial {
                    entry: text.to_owned(),
                });
            }
            _ => {}
        }
        let (stem, rest) = text.split_at_checked(16)?;
        let name = GenerationName::parse(stem).ok()?;
        let generation = |form| Some(Self::Generation { name, form });
        match (rest, entry_type) {
            ("", EntryType::Folder) => generation(Form::Tree),
            (".tar.zst", EntryType::File) => generation(Form::Tar),
            (".tar.zst.age", EntryType::File) => generation(Form::SealedTar),
            (".mtree", EntryType::File) => Some(Self::Manifest { name }),
            (".inventory.txt", EntryType::File) => Some(Self::Inventory { name }),
            (".contents.mtree", EntryType::File) => Some(Self::Contents {
                name,
                form: Form::Tar,
            }),
            (".contents.mtree.age", EntryType::File) => Some(Self::Contents {
                name,
                form: Form::SealedTar,
            }),
            _ if rest.starts_with('.') && rest.ends_with(".partial") => Some(Self::Partial {
                entry: text.to_owned(),
            }),
            _ => None,
        }
    }
}

/// Everything [`FoundEntry::read`] knows in the job's folder `dir`, sorted. Nothing is followed.
pub fn list_in(dir: BorrowedFd<'_>) -> io::Result<Vec<FoundEntry>> {
    let mut found = Vec::new();
    for entry in Dir::read_from(dir)? {
        let entry = entry?;
        let name = OsStr::from_bytes(entry.file_name().to_bytes());
        let stat = rustix::fs::statat(dir, name, AtFlags::SYMLINK_NOFOLLOW)?;
        let entry_type = match FileType::from_raw_mode(stat.st_mode) {
            FileType::Directory => EntryType::Folder,
            FileType::RegularFile => EntryType::File,
            _ => continue,
        };
        let changed = Timestamp::from_second(stat.st_mtime).unwrap_or(Timestamp::UNIX_EPOCH);
        found.extend(FoundEntry::read(name, entry_type, changed));
    }
    found.sort();
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::fd::AsFd;

    #[test]
    fn only_names_that_hayloft_gives_are_taken_for_its_own() {
        let folder = tempfile::tempdir().expect("a scratch folder");
        for name in [
            "20261125T023000Z",
            "20261126T023000Z.partial",
            "current",
            "photographs",
            "20261399T023000Z",
            "lost+found",
        ] {
            std::fs::create_dir(folder.path().join(name)).expect("a folder");
        }
        for name in [
            "20261124T023000Z.tar.zst",
            "20261123T023000Z.tar.zst.age",
            "20261125T023000Z.mtree",
            "20261124T023000Z.contents.mtree",
            "20261123T023000Z.contents.mtree.age",
            "20261125T023000Z.contents.mtree.partial",
            "20261123T023000Z.inventory.txt",
            "current.mtree",
            "current.mtree.partial",
            "20261127T023000Z.tar.zst.partial",
            "20261122T023000Z",
            "catalogue.jsonl",
            "notes.partial",
        ] {
            std::fs::write(folder.path().join(name), "").expect("a file");
        }
        std::os::unix::fs::symlink("/srv", folder.path().join("20261121T023000Z")).expect("a link");
        let dir = std::fs::File::open(folder.path()).expect("the folder");
        let name = |text| GenerationName::parse(text).expect("a name");
        let mut found = list_in(dir.as_fd()).expect("a list");
        found.retain(|entry| !matches!(entry, FoundEntry::Current { .. }));
        assert_eq!(
            found,
            [
                FoundEntry::Generation {
                    name: name("20261123T023000Z"),
                    form: Form::SealedTar
                },
                FoundEntry::Generation {
                    name: name("20261124T023000Z"),
                    form: Form::Tar
                },
                FoundEntry::Generation {
                    name: name("20261125T023000Z"),
                    form: Form::Tree
                },
                FoundEntry::Manifest {
                    name: name("20261125T023000Z")
                },
                FoundEntry::Contents {
                    name: name("20261123T023000Z"),
                    form: Form::SealedTar
                },
                FoundEntry::Contents {
                    name: name("20261124T023000Z"),
                    form: Form::Tar
                },
                FoundEntry::Inventory {
                    name: name("20261123T023000Z")
                },
                FoundEntry::CurrentManifest,
                FoundEntry::Partial {
                    entry: "20261125T023000Z.contents.mtree.partial".to_owned()
                },
                FoundEntry::Partial {
                    entry: "20261126T023000Z.partial".to_owned()
                },
                FoundEntry::Partial {
                    entry: "20261127T023000Z.tar.zst.partial".to_owned()
                },
                FoundEntry::Partial {
                    entry: "current.mtree.partial".to_owned()
                },
            ]
        );
    }
}
