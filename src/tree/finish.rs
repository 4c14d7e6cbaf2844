//! The last visit to a new copy: what rsync copied gets its digests, and the folders around it their attributes.

use std::collections::HashSet;
use std::io;
use std::os::fd::{AsFd, OwnedFd};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};

use rustix::fs::{FileType, Mode, OFlags, Stat, open, openat};

use super::copy_folder::give;
use super::folder::{self, enter, enter_on_source, is_no_folder, look, modified, now};
use super::halt::Halt;
use super::index::{Marks, NewIndex, ROOT, Seen, SeenKind};
use super::reading::digest_of;
use super::scope::Scope;
use super::{Trouble, lock, pool};

pub struct Wanted<'a> {
    pub scope: &'a Scope,
    pub index: &'a NewIndex,
    pub copy: &'a OwnedFd,
    /// The folders that rsync put something into, by their blocks.
    pub late: &'a HashSet<u32>,
    /// Those, and all on the way to them.
    pub ways: HashSet<u32>,
    pub halt: &'a Halt,
}

/// What the last visit found.
#[derive(Debug, Default)]
pub struct Finished {
    /// Bytes that these folders themselves take.
    pub folders: u64,
    /// Names that rsync was to copy and did not: gone meanwhile.
    pub gone: u64,
    /// Length of what rsync copied.
    pub bytes: u64,
}

/// # Errors
/// The first trouble; [`Trouble::Halted`].
pub fn finish(wanted: &Wanted) -> Result<Finished, Trouble> {
    let finish = Finish {
        wanted,
        folders: AtomicU64::new(0),
        gone: AtomicU64::new(0),
        bytes: AtomicU64::new(0),
        first: Mutex::new(None),
    };
    let root = open("/", OFlags::DIRECTORY | OFlags::CLOEXEC, Mode::empty())
        .map_err(|error| Trouble::source(b"/", error))?;
    let here = Here {
        path: Vec::new(),
        source: Some(root),
        copy: wanted
            .copy
            .try_clone()
            .map_err(|error| Trouble::drive(b"/", error))?,
        scope: Some(wanted.scope),
    };
    pool()?.install(|| finish.folder(&Arc::new(here), ROOT));
    if let Some(trouble) = lock(&finish.first).take() {
        return Err(trouble);
    }
    wanted.halt.look()?;
    Ok(Finished {
        folders: finish.folders.into_inner(),
        gone: finish.gone.into_inner(),
        bytes: finish.bytes.into_inner(),
    })
}

struct Finish<'a> {
    wanted: &'a Wanted<'a>,
    folders: AtomicU64,
    gone: AtomicU64,
    bytes: AtomicU64,
    first: Mutex<Option<Trouble>>,
}

struct Here<'s> {
    path: Vec<u8>,
    /// None where the folder is gone from the source meanwhile.
    source: Option<OwnedFd>,
    copy: OwnedFd,
    scope: Option<&'s Scope>,
}

impl Finish<'_> {
    /// Everything below a folder, then, when nothing more is put into them, the folders in it.
    fn folder(&self, here: &Arc<Here>, block: u32) {
        if self.wanted.halt.look().is_ok()
            && let Err(trouble) = self.try_folder(here, block)
        {
            self.wanted.halt.want();
            lock(&self.first).get_or_insert(trouble);
        }
    }

    fn try_folder(&self, here: &Arc<Here>, block: u32) -> Result<(), Trouble> {
        let index = self.wanted.index;
        let mut all = index.block(block).map_err(Trouble::Index)?;
        let mut changed = false;
        let mut below = Vec::new();
        for seen in &mut all {
            if let SeenKind::Folder { block } = seen.kind {
                if self.wanted.ways.contains(&block) && !seen.marks.has(Marks::GONE) {
                    below.push((seen.clone(), block));
                }
            } else if needs_look(seen) {
                changed |= self.copied(here, seen)?;
            }
        }
        if changed {
            index.put_again(block, &all).map_err(Trouble::Index)?;
        }
        drop(all);
        rayon::scope(|scope| {
            for (seen, block) in &below {
                scope.spawn(move |_| self.below(here, seen, *block));
            }
        });
        Ok(())
    }

    fn below(&self, here: &Arc<Here>, seen: &Seen, block: u32) {
        let path = [here.path.as_slice(), b"/", &seen.name].concat();
        let done = enter_both(here, seen, &path).and_then(|below| {
            let below = Arc::new(below);
            self.folder(&below, block);
            if self.wanted.late.contains(&block) {
                let bytes = give(below.source.as_ref(), &below.copy, &below.path, seen)?;
                self.folders.fetch_add(bytes, Ordering::Relaxed);
            }
            Ok(())
        });
        if let Err(trouble) = done {
            self.wanted.halt.want();
            lock(&self.first).get_or_insert(trouble);
        }
    }

    /// What rsync made of a name. The copy is what the manifest tells of.
    fn copied(&self, here: &Here, seen: &mut Seen) -> Result<bool, Trouble> {
        let path = || [here.path.as_slice(), b"/", &seen.name].concat();
        let wrong = |error: io::Error| Trouble::drive(&path(), error);
        let Some(stat) = look(here.copy.as_fd(), &seen.name).map_err(wrong)? else {
            self.gone.fetch_add(1, Ordering::Relaxed);
            seen.marks.put(Marks::GONE);
            return Ok(true);
        };
        if FileType::from_raw_mode(stat.st_mode) != FileType::RegularFile {
            return self.other(here, seen, &stat).map_err(Trouble::Index);
        }
        let flags = OFlags::RDONLY | OFlags::NOFOLLOW | OFlags::CLOEXEC | OFlags::NONBLOCK;
        let name = <std::ffi::OsStr as std::os::unix::ffi::OsStrExt>::from_bytes(&seen.name);
        let file =
            openat(&here.copy, name, flags, Mode::empty()).map_err(|error| wrong(error.into()))?;
        let (digest, size) = digest_of(file.as_fd(), self.wanted.halt, wrong)?;
        self.bytes.fetch_add(size, Ordering::Relaxed);
        seen.kind = SeenKind::File {
            size,
            digest: Some(digest),
        };
        seen.mode = stat.st_mode & 0o7777;
        (seen.uid, seen.gid) = (stat.st_uid, stat.st_gid);
        seen.modified = modified(&stat);
        seen.blocks = stat.st_blocks.cast_unsigned();
        Ok(true)
    }

    /// What is no file is mostly what was found before; it may have changed, or become something else, meanwhile.
    fn other(&self, here: &Here, seen: &mut Seen, stat: &Stat) -> io::Result<bool> {
        let Some(found) = folder::seen(here.copy.as_fd(), seen.name.clone(), stat, now())? else {
            return Ok(false);
        };
        seen.kind = match found.kind {
            SeenKind::Folder { .. } => {
                let block = self.wanted.index.number();
                self.wanted.index.put(block, &[])?;
                SeenKind::Folder { block }
            }
            other => other,
        };
        (seen.mode, seen.uid, seen.gid) = (found.mode, found.uid, found.gid);
        seen.modified = found.modified;
        Ok(true)
    }
}

/// Whether rsync copied it.
fn needs_look(seen: &Seen) -> bool {
    let is_done = seen.marks.has(Marks::SAME) || seen.marks.has(Marks::GONE);
    let has_digest = seen.digest().is_some();
    !is_done && !has_digest
}

fn enter_both<'s>(here: &Here<'s>, seen: &Seen, path: &[u8]) -> Result<Here<'s>, Trouble> {
    let source = here.source.as_ref();
    let source = source.map(|source| enter_on_source(here.scope, source, &seen.name));
    let source = match source.transpose() {
        Err(error) if is_no_folder(&error) => None,
        other => other.map_err(|error| Trouble::source(path, error))?,
    };
    Ok(Here {
        path: path.to_owned(),
        source,
        copy: enter(&here.copy, &seen.name).map_err(|error| Trouble::drive(path, error))?,
        scope: here.scope.and_then(|scope| scope.enter(&seen.name)),
    })
}
