//! What mending will replace: every name of each damaged file in every copy of the job, found before anything is written.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::io;
use std::os::fd::{AsFd, OwnedFd};
use std::os::unix::ffi::OsStrExt;
use std::path::PathBuf;

use super::check::open_copy;
use super::folder::{last_part, look};
use super::good_copies::{GoodCopies, Spoilt, open_parent, root_of};
use crate::plan::{Act, Mend, NameInCopy, Part, Step};
use crate::prove::manifest::{Digest, Entry, EntryKind, Time, open_in, read};
use crate::record::{Form, Generation};
use crate::report::{counted, safe_name};

/// The steps that mend the files of one copy for which there is a good copy.
pub fn mend_steps(
    job_folder: &OwnedFd,
    copy: &Generation,
    all: &[Generation],
    spoilt: &[Spoilt],
    good: &GoodCopies,
) -> Vec<(usize, Step)> {
    let spoilt: Vec<&Spoilt> = spoilt
        .iter()
        .filter(|one| good.contains_key(&one.index))
        .collect();
    let names = names_of(job_folder, all, &spoilt);
    let times = folder_times(job_folder, copy, &spoilt);
    let steps = spoilt.into_iter().filter_map(|one| {
        let good = good.get(&one.index)?.clone();
        let path = PathBuf::from(std::ffi::OsStr::from_bytes(&one.entry.path));
        let mut own = NameInCopy {
            root: root_of(copy),
            path,
            folder_time: None,
        };
        let mut all = names.get(&one.index).cloned().unwrap_or_default();
        all.retain(|name| *name != own);
        own.folder_time = times.get(parent(&one.entry.path)).copied();
        all.insert(0, own);
        let mend = Mend {
            copy: copy.name,
            entry: one.entry.clone(),
            names: all,
            good,
        };
        let words = words(&mend);
        Some((
            one.index,
            Step::new(Part::Mend, words, Act::Mend(Box::new(mend))),
        ))
    });
    steps.collect()
}

fn words(mend: &Mend) -> String {
    let name = &mend.names[0];
    let also = match mend.names.len() {
        1 => String::new(),
        many => {
            let others = u64::try_from(many - 1).unwrap_or(u64::MAX);
            format!(
                " and under {}",
                counted(others, "other name", "other names")
            )
        }
    };
    format!(
        "replace {}/{}{also} by what lies in {} of {} on drive {}",
        name.root,
        safe_name(name.path.as_os_str().as_bytes()),
        mend.good.generation,
        mend.good.job,
        mend.good.drive
    )
}

/// Every other name of the inodes, in every copy of the job: files with a name in a manifest under the digest that the
/// damaged file should have.
fn names_of(
    job_folder: &OwnedFd,
    all: &[Generation],
    spoilt: &[&Spoilt],
) -> BTreeMap<usize, Vec<NameInCopy>> {
    // with the digest: names that were joined by mistake are of one inode, and each is to have its own content again
    let inodes: HashMap<((u64, u64), Digest), usize> = spoilt
        .iter()
        .filter_map(|one| Some(((one.inode?, one.digest), one.index)))
        .collect();
    let digests: HashSet<Digest> = spoilt.iter().map(|one| one.digest).collect();
    let mut names: BTreeMap<usize, Vec<NameInCopy>> = BTreeMap::new();
    for generation in all.iter().filter(|one| one.form == Form::Tree) {
        let mut each = |tree: &OwnedFd, entry: &Entry, digest: Digest| {
            let folder = open_parent(tree, &entry.path)?;
            let seen = look(folder.as_fd(), last_part(&entry.path))?;
            if let Some(index) = inodes.get(&((seen.device, seen.inode), digest)) {
                names.entry(*index).or_default().push(NameInCopy {
                    root: root_of(generation),
                    path: PathBuf::from(std::ffi::OsStr::from_bytes(&entry.path)),
                    folder_time: None,
                });
            }
            Ok(())
        };
        if let Err(error) = files_with(job_folder, generation, &digests, &mut each) {
            tracing::warn!("{}: {error}", generation.name);
        }
    }
    names
}

fn files_with(
    job_folder: &OwnedFd,
    generation: &Generation,
    digests: &HashSet<Digest>,
    each: &mut dyn FnMut(&OwnedFd, &Entry, Digest) -> io::Result<()>,
) -> io::Result<()> {
    let Some(tree) = open_copy(job_folder.as_fd(), generation)? else {
        return Ok(());
    };
    let manifest = generation.form.manifest(generation.name);
    for entry in read(open_in(job_folder.as_fd(), &manifest)?).flatten() {
        if let EntryKind::File {
            digest: Some(digest),
            ..
        } = entry.kind
            && digests.contains(&digest)
        {
            // a name that is not there has no file to replace
            let _ = each(&tree, &entry, digest);
        }
    }
    Ok(())
}

/// The times that the folders of the files should have: one that lost a name has another now.
fn folder_times(
    job_folder: &OwnedFd,
    copy: &Generation,
    spoilt: &[&Spoilt],
) -> HashMap<Vec<u8>, Time> {
    let folders: HashSet<&[u8]> = spoilt.iter().map(|one| parent(&one.entry.path)).collect();
    let manifest = copy.form.manifest(copy.name);
    let Ok(file) = open_in(job_folder.as_fd(), &manifest) else {
        return HashMap::new();
    };
    read(file)
        .flatten()
        .filter(|entry| entry.kind == EntryKind::Folder && folders.contains(entry.path.as_slice()))
        .map(|entry| (entry.path, entry.time))
        .collect()
}

fn parent(path: &[u8]) -> &[u8] {
    let own = last_part(path).len();
    &path[..path.len().saturating_sub(own + 1)]
}
