//! Looks for the right content of files that are not as they should be: in the manifests of other copies, and then in the
//! files themselves, since a manifest only says what should be there.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::ffi::OsStr;
use std::io;
use std::os::fd::{AsFd, OwnedFd};
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};

use super::check::open_copy;
use super::content::{Unread, buffer, open_file, read_file};
use super::folder::{last_part, look};
use super::pace::Pace;
use crate::jobs::Name;
use crate::prove::manifest::{Digest, Entry, EntryKind, open_in, read};
use crate::record::{Finding, Generation, GoodCopy, What};
use crate::system::job_folder::open_below;

/// A copy in which good content may lie.
#[derive(Debug)]
pub struct SearchPlace {
    pub job: Name,
    pub drive: Name,
    /// The job's folder.
    pub folder: OwnedFd,
    /// The same as a path.
    pub path: PathBuf,
    pub generation: Generation,
}

/// Good copies by the index of the finding that they are for.
pub type GoodCopies = BTreeMap<usize, GoodCopy>;

/// A file whose content is not as it should be, with what the manifest says of it.
#[derive(Debug, Clone)]
pub struct Spoilt {
    /// Among the findings of its copy.
    pub index: usize,
    pub entry: Entry,
    pub digest: Digest,
    /// Device and inode, where there is a file.
    pub inode: Option<(u64, u64)>,
}

/// Whether other content would put it right.
fn is_of_content(what: What) -> bool {
    matches!(
        what,
        What::Damaged | What::Unreadable | What::Missing | What::Changed
    )
}

/// The files among the findings of a copy that a good copy would put right.
///
/// # Errors
/// When the copy or its manifest cannot be opened.
pub fn spoilt_files(
    job_folder: &OwnedFd,
    generation: &Generation,
    findings: &[Finding],
) -> io::Result<Vec<Spoilt>> {
    let mut wanted: HashMap<&[u8], usize> = findings
        .iter()
        .enumerate()
        .filter(|(_, one)| is_of_content(one.what) && !one.mended)
        .map(|(index, one)| (one.path.as_os_str().as_bytes(), index))
        .collect();
    let Some(tree) = open_copy(job_folder.as_fd(), generation)? else {
        return Ok(Vec::new());
    };
    let mut spoilt = Vec::new();
    let manifest = generation.form.manifest(generation.name);
    for entry in read(open_in(job_folder.as_fd(), &manifest)?).flatten() {
        if wanted.is_empty() {
            break;
        }
        let (Some(index), Some(digest)) = (wanted.remove(entry.path.as_slice()), digest_of(&entry))
        else {
            continue;
        };
        let there = open_parent(&tree, &entry.path)
            .and_then(|folder| look(folder.as_fd(), last_part(&entry.path)));
        let inode = there.ok().map(|seen| (seen.device, seen.inode));
        spoilt.push(Spoilt {
            index,
            entry,
            digest,
            inode,
        });
    }
    Ok(spoilt)
}

/// For each of the files, by its index, a file with its right content. `places` are searched in this order.
pub fn find_good_copies(spoilt: &[Spoilt], places: &[SearchPlace], pace: &Pace) -> GoodCopies {
    let mut found = GoodCopies::new();
    let mut wanted: HashSet<Digest> = spoilt.iter().map(|one| one.digest).collect();
    let bad: HashSet<(u64, u64)> = spoilt.iter().filter_map(|one| one.inode).collect();
    for place in places {
        if wanted.is_empty() || pace.go_on().is_err() {
            break;
        }
        if let Err(error) = search(place, &mut wanted, &bad, pace, &mut |digest, good| {
            let same = spoilt.iter().filter(|one| one.digest == digest);
            found.extend(same.map(|one| (one.index, good.clone())));
        }) {
            tracing::warn!(
                "{} of {} on drive {} could not be searched: {error}",
                place.generation.name,
                place.job,
                place.drive
            );
        }
    }
    found
}

fn search(
    place: &SearchPlace,
    wanted: &mut HashSet<Digest>,
    bad: &HashSet<(u64, u64)>,
    pace: &Pace,
    found: &mut dyn FnMut(Digest, GoodCopy),
) -> io::Result<()> {
    let generation = &place.generation;
    let manifest = generation.form.manifest(generation.name);
    let file = match open_in(place.folder.as_fd(), &manifest) {
        // a copy of the time before there were manifests
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
        other => other?,
    };
    let Some(tree) = open_copy(place.folder.as_fd(), generation)? else {
        return Ok(());
    };
    for entry in read(file).flatten() {
        let Some(digest) = digest_of(&entry).filter(|digest| wanted.contains(digest)) else {
            continue;
        };
        if !has_content(&tree, &entry, &digest, bad, pace) {
            continue;
        }
        wanted.remove(&digest);
        let path = PathBuf::from(OsStr::from_bytes(&entry.path));
        let root = place.path.join(root_of(generation));
        found(
            digest,
            GoodCopy {
                job: place.job.clone(),
                drive: place.drive.clone(),
                generation: generation.name,
                file: root.join(&path),
                path,
            },
        );
        if wanted.is_empty() || pace.go_on().is_err() {
            break;
        }
    }
    Ok(())
}

/// What the paths of a manifest are below, within the job's folder.
pub fn root_of(generation: &Generation) -> String {
    use crate::record::Form;
    match generation.form {
        Form::Tree | Form::Current => generation.form.entry(generation.name),
        Form::Tar | Form::SealedTar => String::new(),
    }
}

/// Reads the file: only what was read is called good.
fn has_content(
    tree: &OwnedFd,
    entry: &Entry,
    digest: &Digest,
    bad: &HashSet<(u64, u64)>,
    pace: &Pace,
) -> bool {
    let read = || -> Result<bool, Unread> {
        let name = last_part(&entry.path);
        let folder = open_parent(tree, &entry.path).map_err(Unread::Error)?;
        let seen = look(folder.as_fd(), name).map_err(Unread::Error)?;
        if bad.contains(&(seen.device, seen.inode)) {
            return Ok(false);
        }
        let file = open_file(folder.as_fd(), OsStr::from_bytes(name)).map_err(Unread::Error)?;
        let read = read_file(&file, pace, &mut buffer())?;
        Ok(read.digest == *digest)
    };
    read().unwrap_or(false)
}

fn digest_of(entry: &Entry) -> Option<Digest> {
    match entry.kind {
        EntryKind::File { digest, .. } => digest,
        _ => None,
    }
}

/// The folder that a name of a manifest is in.
///
/// # Errors
/// What the system said.
pub fn open_parent(tree: &OwnedFd, path: &[u8]) -> io::Result<OwnedFd> {
    let folder = Path::new(OsStr::from_bytes(path)).parent();
    open_below(tree.as_fd(), folder.unwrap_or(Path::new("")))
}
