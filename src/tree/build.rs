//! Makes the new copy: its folders; links to what the last copy has and what is the same; copies of the rest.

use std::collections::HashSet;
use std::ffi::OsStr;
use std::io;
use std::os::fd::{AsFd, OwnedFd};
use std::os::unix::ffi::OsStrExt;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, OnceLock};

use rayon::Scope as Pool;
use rayon::prelude::*;
use rustix::fs::{AtFlags, Mode, OFlags, mkdirat, open, unlinkat};
use rustix::io::Errno;

use super::copy_folder::give;
use super::flusher::while_flushing;
use super::folder::{enter, enter_on_source, is_no_folder, names};
use super::halt::Halt;
use super::index::{Marks, NewIndex, ROOT, Seen, SeenKind};
use super::joined::Joined;
use super::leftover::Leftover;
use super::remove::remove_tree;
use super::scope::Scope;
use super::survey::Found;
use super::{Trouble, attributes, lock, pool};

/// How a new copy begins.
#[derive(Debug, Clone, Copy)]
pub enum Beginning<'a> {
    /// As an empty folder: what is the same is linked to the files of the last copy, if there is one.
    Empty { last: Option<&'a OwnedFd> },
    /// As a snapshot of the last copy: only what is not the same is touched.
    Snapshot,
}

pub struct Wanted<'a> {
    pub scope: &'a Scope,
    pub found: &'a Found,
    pub index: &'a NewIndex,
    pub beginning: Beginning<'a>,
    /// The new copy's folder.
    pub copy: &'a OwnedFd,
    /// What a run that was cut short left, and may be taken over.
    pub leftovers: &'a [Leftover],
    /// The number of the new generation in the index.
    pub born: u32,
    pub halt: &'a Halt,
}

/// What was done, and what is left to do.
#[derive(Debug, Default)]
pub struct Built {
    /// Names for rsync, each with a NUL behind it, from the source's root: pipes, sockets, devices, and what is not as
    /// it was found.
    pub others: Vec<u8>,
    pub bytes_copied: u64,
    /// Bytes that the folders themselves take.
    pub folder_bytes: u64,
    /// The folders that hold such names, by their blocks: they get their attributes when rsync is done.
    pub late: HashSet<u32>,
    /// Names that were gone when they were to be copied.
    pub gone: u64,
    /// Files of the last copy that could not be linked to, and were copied anew.
    pub not_linked: u64,
    pub troubles: Vec<Trouble>,
}

/// # Errors
/// The first trouble with the drive or the index, which ends all work; [`Trouble::Halted`].
pub fn build(wanted: &Wanted) -> Result<Built, Trouble> {
    let build = Build {
        wanted,
        only: match wanted.beginning {
            Beginning::Empty { .. } => None,
            Beginning::Snapshot => Some(wanted.found.touched.with_ways()),
        },
        joined: Joined::default(),
        done: Mutex::default(),
        gone: AtomicU64::new(0),
        not_linked: AtomicU64::new(0),
        bytes: AtomicU64::new(0),
        folder_bytes: AtomicU64::new(0),
        fatal: Mutex::new(None),
    };
    let root = open("/", OFlags::DIRECTORY | OFlags::CLOEXEC, Mode::empty())
        .map_err(|error| Trouble::source(b"/", error))?;
    let own = |fd: &OwnedFd| fd.try_clone().map_err(|error| Trouble::drive(b"/", error));
    let task = Task {
        path: Vec::new(),
        block: ROOT,
        own: None,
        folders: Arc::new(Folders {
            source: root,
            copy: own(wanted.copy)?,
            last: match wanted.beginning {
                Beginning::Empty { last: Some(last) } => Some(own(last)?),
                _ => None,
            },
            gives_nothing: OnceLock::new(),
        }),
        scope: Some(wanted.scope),
    };
    let pool = pool()?;
    while_flushing(wanted.copy, wanted.halt, || {
        pool.scope(|pool| build.folder(&task, pool));
        match lock(&build.fatal).take() {
            Some(trouble) => Err(trouble),
            None => wanted.halt.look(),
        }
    })?;
    Ok(build.finish())
}

pub(super) struct Build<'a> {
    pub(super) wanted: &'a Wanted<'a>,
    /// The folders that need a visit; all if none are named.
    pub(super) only: Option<HashSet<u32>>,
    pub(super) joined: Joined,
    pub(super) done: Mutex<Built>,
    pub(super) gone: AtomicU64,
    pub(super) not_linked: AtomicU64,
    pub(super) bytes: AtomicU64,
    pub(super) folder_bytes: AtomicU64,
    pub(super) fatal: Mutex<Option<Trouble>>,
}

/// One folder, on the source, in the new copy, and in the last one.
pub(super) struct Folders {
    pub(super) source: OwnedFd,
    pub(super) copy: OwnedFd,
    pub(super) last: Option<OwnedFd>,
    /// Whether what is made in `copy` gets no attributes from it. Asked for with the first file that is copied.
    gives_nothing: OnceLock<bool>,
}

impl Folders {
    /// A default ACL, and a label of security, are passed on to what is made in a folder.
    pub(super) fn gives_nothing(&self) -> bool {
        *self
            .gives_nothing
            .get_or_init(|| attributes::of(self.copy.as_fd()).is_ok_and(|found| found.is_empty()))
    }

    /// A folder in this one, which is open on the source already.
    fn below(&self, source: OwnedFd, name: &[u8]) -> io::Result<Self> {
        let copy = enter(&self.copy, name)?;
        let last = self.last.as_ref().map(|last| enter(last, name));
        Ok(Self {
            source,
            gives_nothing: OnceLock::new(),
            copy,
            last: match last.transpose() {
                Err(error) if is_no_folder(&error) => None,
                other => other?,
            },
        })
    }
}

/// What was done with files of one folder.
#[derive(Default)]
pub(super) struct Done {
    /// The index tells something else of them now.
    pub(super) changed: bool,
    /// Names for rsync.
    pub(super) others: Vec<u8>,
}

impl Done {
    fn and(mut self, other: Self) -> Self {
        self.changed |= other.changed;
        self.others.extend(other.others);
        self
    }
}

/// Files that one hand takes at a time.
const FILES_A_HAND: usize = 16;

pub(super) struct Task<'s> {
    pub(super) path: Vec<u8>,
    pub(super) block: u32,
    /// The folder itself; the root has nothing to be given.
    pub(super) own: Option<Seen>,
    pub(super) folders: Arc<Folders>,
    pub(super) scope: Option<&'s Scope>,
}

impl<'a> Build<'a> {
    fn folder<'p>(&'p self, task: &Task<'p>, pool: &Pool<'p>)
    where
        'a: 'p,
    {
        if self.wanted.halt.look().is_ok()
            && let Err(trouble) = self.try_folder(task, pool)
        {
            self.trouble(trouble);
        }
    }

    /// A source that cannot be read is told at the end, with others; anything else ends all work.
    pub(super) fn trouble(&self, trouble: Trouble) {
        match trouble {
            Trouble::Source { .. } => {
                let mut done = lock(&self.done);
                if done.troubles.len() < 20 {
                    done.troubles.push(trouble);
                }
            }
            Trouble::Halted => {}
            Trouble::Copy { .. } | Trouble::Drive { .. } | Trouble::Index(_) => {
                self.wanted.halt.want();
                lock(&self.fatal).get_or_insert(trouble);
            }
        }
    }

    fn try_folder<'p>(&'p self, task: &Task<'p>, pool: &Pool<'p>) -> Result<(), Trouble>
    where
        'a: 'p,
    {
        let index = self.wanted.index;
        let mut all = index.block(task.block).map_err(Trouble::Index)?;
        let mut changed = false;
        if matches!(self.wanted.beginning, Beginning::Snapshot) {
            self.clear(task, &all)?;
        }
        for seen in &mut all {
            if let SeenKind::Folder { block } = seen.kind
                && self.only.as_ref().is_none_or(|only| only.contains(&block))
            {
                changed |= self.subfolder(task, seen, block, pool)?;
            }
        }
        // a folder with very many files is work for all hands
        let files = all.par_iter_mut().with_min_len(FILES_A_HAND);
        let done = files
            .filter(|seen| !seen.is_folder())
            .map(|seen| self.file(task, seen))
            .try_reduce(Done::default, |one, other| Ok(one.and(other)))?;
        if changed || done.changed {
            index.put_again(task.block, &all).map_err(Trouble::Index)?;
        }
        if !done.others.is_empty() {
            let mut all = lock(&self.done);
            all.others.extend(done.others);
            all.late.insert(task.block);
        } else if let Some(own) = &task.own {
            let Folders { source, copy, .. } = &*task.folders;
            let bytes = give(Some(source), copy, &task.path, own)?;
            self.folder_bytes.fetch_add(bytes, Ordering::Relaxed);
        }
        Ok(())
    }

    /// Takes away from a snapshot what the source no longer has, and what is to be copied anew.
    fn clear(&self, task: &Task, all: &[Seen]) -> Result<(), Trouble> {
        let copy = &task.folders.copy;
        let wrong = |error: io::Error| Trouble::drive(&task.path, error);
        for name in names(copy.as_fd()).map_err(wrong)? {
            let wanted = all
                .binary_search_by(|seen| seen.name.cmp(&name))
                .ok()
                .map(|at| &all[at]);
            let folder_there = enter(copy, &name).is_ok();
            let stays = wanted.is_some_and(|seen| match seen.kind {
                SeenKind::Folder { .. } => folder_there,
                _ => seen.marks.has(Marks::SAME) && self.wanted.found.groups.are_as_before(seen),
            });
            if !stays && folder_there {
                remove_tree(copy.as_fd(), OsStr::from_bytes(&name))
                    .map_err(|error| wrong(io::Error::other(error.to_string())))?;
            } else if !stays {
                unlinkat(copy, OsStr::from_bytes(&name), AtFlags::empty())
                    .map_err(|error| wrong(error.into()))?;
            }
        }
        Ok(())
    }

    /// Makes a folder and has what is in it done. Gives whether the index of its parent is another now.
    fn subfolder<'p>(
        &'p self,
        task: &Task<'p>,
        seen: &mut Seen,
        block: u32,
        pool: &Pool<'p>,
    ) -> Result<bool, Trouble>
    where
        'a: 'p,
    {
        let path = [task.path.as_slice(), b"/", &seen.name].concat();
        let name = OsStr::from_bytes(&seen.name);
        let wrong = |error: io::Error| Trouble::drive(&path, error);
        let source = match enter_on_source(task.scope, &task.folders.source, &seen.name) {
            Ok(source) => source,
            Err(error) if is_no_folder(&error) => {
                self.gone.fetch_add(1, Ordering::Relaxed);
                seen.marks.put(Marks::GONE);
                if matches!(self.wanted.beginning, Beginning::Snapshot) {
                    remove_tree(task.folders.copy.as_fd(), name)
                        .map_err(|error| wrong(io::Error::other(error.to_string())))?;
                }
                return Ok(true);
            }
            Err(error) => return Err(Trouble::source(&path, error)),
        };
        match mkdirat(&task.folders.copy, name, Mode::RWXU) {
            Ok(()) | Err(Errno::EXIST) => {}
            Err(error) => return Err(wrong(error.into())),
        }
        let above = Arc::clone(&task.folders);
        let scope = task.scope.and_then(|scope| scope.enter(&seen.name));
        let own = seen.clone();
        // only one file is held open for each folder that waits
        pool.spawn(move |pool| match above.below(source, &own.name) {
            Ok(folders) => {
                let below = Task {
                    path,
                    block,
                    own: Some(own),
                    folders: Arc::new(folders),
                    scope,
                };
                self.folder(&below, pool);
            }
            Err(error) => self.trouble(Trouble::drive(&path, error)),
        });
        Ok(false)
    }

    fn finish(self) -> Built {
        let mut built = self.done.into_inner().unwrap_or_default();
        built.bytes_copied = self.bytes.into_inner();
        built.folder_bytes = self.folder_bytes.into_inner();
        built.gone = self.gone.into_inner();
        built.not_linked = self.not_linked.into_inner();
        built
    }
}
