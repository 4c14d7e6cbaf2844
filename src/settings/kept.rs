//! What an export of settings holds, taken apart: the texts, and the files of `files.tar`.

use std::collections::BTreeMap;
use std::io::{self, Read};

use sha2::{Digest as _, Sha256};
use tar::{Archive, Entry, EntryType};

use crate::plan::kinds::settings::FILES;

/// Files that are longer are compared by their digest only, and shown by nothing.
const MOST_OF_CONTENT: u64 = 1 << 20;
/// A text is no longer than this.
const MOST_OF_TEXT: u64 = 256 << 20;

#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Kept {
    /// By the names of the members.
    pub texts: BTreeMap<String, Vec<u8>>,
    /// By their paths, without a leading slash.
    pub files: BTreeMap<Vec<u8>, KeptFile>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeptFile {
    pub kind: FileKind,
    pub mode: u32,
    /// By name where it has one, and by number.
    pub owner: String,
    pub group: String,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum FileKind {
    File {
        digest: [u8; 32],
        /// Unless it is long.
        content: Option<Vec<u8>>,
    },
    Folder,
    Link(Vec<u8>),
    Other,
}

impl Kept {
    /// Reads all members from the archive that holds them.
    ///
    /// # Errors
    /// When the stream breaks, or what comes is no archive.
    pub fn read(archive: impl Read) -> io::Result<Self> {
        let mut kept = Self::default();
        let mut archive = Archive::new(archive);
        for member in archive.entries()? {
            let mut member = member?;
            if member.header().entry_type().is_file() {
                let name = String::from_utf8_lossy(&member.path_bytes()).into_owned();
                kept.take(&name, &mut member)?;
            }
        }
        Ok(kept)
    }

    /// Reads one member.
    ///
    /// # Errors
    /// As [`Kept::read`].
    pub fn take(&mut self, name: &str, member: impl Read) -> io::Result<()> {
        if name == FILES {
            self.files = read_files(member)?;
        } else {
            let mut text = Vec::new();
            member.take(MOST_OF_TEXT).read_to_end(&mut text)?;
            self.texts.insert(name.to_owned(), text);
        }
        Ok(())
    }

    /// A text; an empty one where it is not kept.
    pub fn text(&self, name: &str) -> &[u8] {
        self.texts.get(name).map_or(b"", Vec::as_slice)
    }

    /// The content of a file of `files.tar`; empty where it is not kept.
    pub fn content(&self, path: &str) -> &[u8] {
        match self.files.get(path.as_bytes()).map(|file| &file.kind) {
            Some(FileKind::File {
                content: Some(content),
                ..
            }) => content,
            _ => b"",
        }
    }

    /// Whether everybody could read this file: by its own mode, and those of all kept folders above. Of the home of
    /// root some files are kept without it.
    pub fn is_open(&self, path: &[u8]) -> bool {
        let can = |path: &[u8], bit| self.files.get(path).is_none_or(|one| one.mode & bit != 0);
        let slashes = (0..path.len()).filter(|at| path[*at] == b'/');
        let mut folders = slashes.map(|at| &path[..at]);
        can(path, 0o004) && !path.starts_with(b"root/") && folders.all(|folder| can(folder, 0o001))
    }

    /// The files that lie right in this folder, by name.
    pub fn in_folder(&self, folder: &str) -> impl Iterator<Item = (String, &[u8])> {
        let begin = format!("{folder}/");
        self.files.iter().filter_map(move |(path, file)| {
            let name = path.strip_prefix(begin.as_bytes())?;
            match &file.kind {
                FileKind::File {
                    content: Some(content),
                    ..
                } if !name.contains(&b'/') => {
                    Some((String::from_utf8_lossy(name).into_owned(), &content[..]))
                }
                _ => None,
            }
        })
    }
}

fn read_files(from: impl Read) -> io::Result<BTreeMap<Vec<u8>, KeptFile>> {
    let mut files: BTreeMap<Vec<u8>, KeptFile> = BTreeMap::new();
    let mut archive = Archive::new(from);
    for entry in archive.entries()? {
        let mut entry = entry?;
        let path = plain(&entry.path_bytes());
        let kind = match entry.header().entry_type() {
            EntryType::Regular | EntryType::Continuous | EntryType::GNUSparse => file(&mut entry)?,
            EntryType::Directory => FileKind::Folder,
            EntryType::Symlink => FileKind::Link(target(&entry)),
            EntryType::Link => {
                let first = files.get(&plain(&target(&entry)));
                first.map_or(FileKind::Other, |first| first.kind.clone())
            }
            _ => FileKind::Other,
        };
        let header = entry.header();
        let owner = |name: Option<&[u8]>, number: u64| match name {
            Some(name) if !name.is_empty() => String::from_utf8_lossy(name).into_owned(),
            _ => number.to_string(),
        };
        let kept = KeptFile {
            kind,
            mode: header.mode()? & 0o7777,
            owner: owner(header.username_bytes(), header.uid()?),
            group: owner(header.groupname_bytes(), header.gid()?),
        };
        files.insert(path, kept);
    }
    Ok(files)
}

fn file(entry: &mut Entry<impl Read>) -> io::Result<FileKind> {
    let mut hasher = Sha256::new();
    let mut content = Vec::new();
    (&mut *entry)
        .take(MOST_OF_CONTENT)
        .read_to_end(&mut content)?;
    hasher.update(&content);
    let mut is_all = true;
    let mut piece = vec![0; 64 * 1024];
    loop {
        let read = entry.read(&mut piece)?;
        if read == 0 {
            break;
        }
        is_all = false;
        hasher.update(&piece[..read]);
    }
    Ok(FileKind::File {
        digest: hasher.finalize().into(),
        content: is_all.then_some(content),
    })
}

fn target(entry: &Entry<impl Read>) -> Vec<u8> {
    entry
        .link_name_bytes()
        .map_or_else(Vec::new, std::borrow::Cow::into_owned)
}

fn plain(path: &[u8]) -> Vec<u8> {
    path.strip_suffix(b"/").unwrap_or(path).to_vec()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::process::Command;

    #[test]
    fn files_are_read_as_tar_writes_them_with_the_names_of_their_owners() {
        let folder = tempfile::tempdir().unwrap();
        let path = |name: &str| folder.path().join(name);
        std::fs::create_dir(path("etc")).unwrap();
        std::fs::write(path("etc/list"), "open to all\n").unwrap();
        std::fs::hard_link(path("etc/list"), path("etc/second")).unwrap();
        std::fs::write(path("etc/long"), vec![b'x'; 3 << 20]).unwrap();
        std::os::unix::fs::symlink("list", path("etc/z-link")).unwrap();
        let mut tar = Command::new("tar");
        tar.args(["--create", "--format=posix", "--sort=name", "--directory"]);
        tar.arg(folder.path())
            .args(["--owner=ines:1501", "--group=:7"]);
        let output = tar
            .args(["--mode=0640", "--file=-", "etc"])
            .output()
            .unwrap();
        assert!(output.status.success());
        let mut kept = Kept::default();
        kept.take(FILES, &output.stdout[..]).unwrap();
        assert_eq!(kept.content("etc/list"), b"open to all\n");
        assert_eq!(kept.content("etc/second"), b"open to all\n");
        assert_eq!(kept.content("etc/long"), b"", "too long to be held");
        let one = &kept.files[&b"etc/long"[..]];
        assert_eq!((one.owner.as_str(), one.mode), ("ines", 0o640));
        let link = &kept.files[&b"etc/z-link"[..]].kind;
        assert_eq!(*link, FileKind::Link(b"list".to_vec()));
        // sha256sum of three MiB of x
        let sum = Command::new("sha256sum")
            .arg(path("etc/long"))
            .output()
            .unwrap();
        let FileKind::File { digest, .. } = one.kind else {
            panic!("{one:?}")
        };
        let digits = crate::prove::manifest::Digest(digest).to_string();
        assert!(String::from_utf8_lossy(&sum.stdout).starts_with(&digits));
    }

    proptest! {
        #[test]
        fn any_bytes_are_read_without_a_panic(bytes in prop::collection::vec(any::<u8>(), 0..2000)) {
            let _ = Kept::read(&bytes[..]);
            let mut kept = Kept::default();
            let _ = kept.take(FILES, &bytes[..]);
            for name in ["network/addresses.json", "disks/lsblk.json", "units/files.txt", "kernel/name.txt"] {
                kept.take(name, &bytes[..]).unwrap();
            }
            let path = b"etc/apt/sources.list.d/x.sources".to_vec();
            for path in [path, b"etc/passwd".to_vec(), b"etc/crontab".to_vec(), b"etc/fstab".to_vec()] {
                let kind = FileKind::File { digest: [0; 32], content: Some(bytes.clone()) };
                kept.files.insert(path, KeptFile { kind, mode: 0o644, owner: String::new(), group: String::new() });
            }
            let _ = super::super::Inventory::of(&kept);
            let _ = super::super::difference(&kept, &Kept::default());
        }
    }
}
