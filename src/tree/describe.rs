//! Looks at every name of a tree on all cores and finds the digest of each file: known already where nothing
//! happened to it, else by reading. For copies that a tool made, and for sources of which a tool made one elsewhere.

use std::ffi::OsStr;
use std::os::fd::{AsFd, OwnedFd};
use std::os::unix::ffi::OsStrExt;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};

use rayon::Scope as Pool;
use rayon::iter::{IndexedParallelIterator, IntoParallelIterator, ParallelIterator};
use rustix::fs::{AtFlags, statat};

use super::digest_finder::Finder;
use super::file_systems::FileSystems;
use super::folder::{self, Way, is_before};
use super::halt::Halt;
use super::index::{Index, NewIndex, ROOT, Seen, SeenKind};
use super::scope::Scope;
use super::{Exclusions, Trouble, lock, pool};
use crate::prove::manifest::Time;

/// Names of one folder that one hand takes at a time.
const SHARE: usize = 32;
/// How many troubles are kept to be told.
const TROUBLES: usize = 20;

/// Which tree, and what is known of it.
#[derive(Clone, Copy)]
pub struct Wanted<'a> {
    /// The tree's top folder.
    pub root: &'a OwnedFd,
    pub of: Of<'a>,
    pub earlier: Option<&'a Earlier>,
    /// Where what is found is written.
    pub new: &'a NewIndex,
    pub halt: &'a Halt,
}

impl Wanted<'_> {
    /// What could not be read of the tree.
    pub(super) fn wrong(&self, path: &[u8], error: impl Into<std::io::Error>) -> Trouble {
        match self.of {
            Of::Copy => Trouble::Copy {
                path: path.to_owned(),
                error: error.into(),
            },
            Of::Source { .. } => Trouble::source(path, error),
        }
    }
}

#[derive(Clone, Copy)]
pub enum Of<'a> {
    /// A copy on the drive, all of it.
    Copy,
    /// What a tool copied from the root of this server. Of a file that changed after the copy was `begun`, nobody
    /// here knows which content the copy has: it gets no digest.
    Source {
        scope: &'a Scope,
        exclusions: &'a Exclusions,
        begun: Time,
    },
}

/// What is known from before.
#[derive(Debug)]
pub struct Earlier {
    pub index: Index,
    pub proof: Proof,
}

/// What proves that a file has the content whose digest is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Proof {
    /// The index is of this tree: size, times, inode and file system are as they were.
    Untouched,
    /// The index is of a tree on the same file system: the file is the same inode, with several names.
    SameInode,
}

#[derive(Debug, Default)]
pub struct Described {
    pub file_systems: Vec<u64>,
    /// Files that were read.
    pub read: u64,
    /// Files that changed after the copy was begun, and have no digest.
    pub unsure: u64,
    /// Folders in which names came or went after the copy was begun.
    pub unsure_folders: u64,
    /// What could not be read, and how much more of it there was.
    pub troubles: Vec<Trouble>,
    pub more_troubles: u64,
}

/// # Errors
/// [`Trouble::Halted`]; what is wrong with an index. What cannot be read is in [`Described::troubles`].
pub fn describe(wanted: Wanted) -> Result<Described, Trouble> {
    let table = match wanted.earlier {
        Some(earlier) if earlier.proof == Proof::Untouched => {
            earlier.index.foot.file_systems.clone()
        }
        _ => Vec::new(),
    };
    let walk = Walk {
        wanted,
        file_systems: FileSystems::new(table),
        finder: Finder::new(wanted),
        unsure_folders: AtomicU64::new(0),
        done: Mutex::default(),
        fatal: Mutex::new(None),
    };
    let own = wanted.root.try_clone();
    let task = Task {
        path: Vec::new(),
        way: Way::Root,
        parent: Arc::new(own.map_err(|error| wanted.wrong(b"/", error))?),
        number: wanted.new.number(),
        old: wanted.earlier.map(|_| ROOT),
        scope: match wanted.of {
            Of::Copy => None,
            Of::Source { scope, .. } => Some(scope),
        },
    };
    pool()?.scope(|pool| walk.folder(&task, pool));
    if let Some(trouble) = lock(&walk.fatal).take() {
        return Err(trouble);
    }
    wanted.halt.look()?;
    let mut described = walk.done.into_inner().unwrap_or_default();
    described.file_systems = walk.file_systems.table();
    (described.read, described.unsure) = walk.finder.counts();
    described.unsure_folders = walk.unsure_folders.into_inner();
    Ok(described)
}

struct Walk<'a> {
    wanted: Wanted<'a>,
    file_systems: FileSystems,
    finder: Finder<'a>,
    unsure_folders: AtomicU64,
    done: Mutex<Described>,
    /// What makes going on senseless.
    fatal: Mutex<Option<Trouble>>,
}

/// A folder to be looked at.
struct Task<'s> {
    /// From the root, with a slash before each name.
    path: Vec<u8>,
    way: Way,
    parent: Arc<OwnedFd>,
    number: u32,
    /// Its block in the earlier index.
    old: Option<u32>,
    scope: Option<&'s Scope>,
}

impl Task<'_> {
    fn below(&self, name: &[u8]) -> Vec<u8> {
        [self.path.as_slice(), b"/", name].concat()
    }
}

impl<'a> Walk<'a> {
    fn folder<'p>(&'p self, task: &Task<'p>, pool: &Pool<'p>)
    where
        'a: 'p,
    {
        if self.wanted.halt.look().is_err() {
            return;
        }
        let number = task.number;
        if let Err(trouble) = self.try_folder(task, pool) {
            self.trouble(trouble);
            // the folder stands in its parent's block, with nothing in it
            if let Err(error) = self.wanted.new.put(number, &[]) {
                self.trouble(Trouble::Index(error));
            }
        }
    }

    /// What cannot be read is told at the end, with others; anything else ends all work.
    fn trouble(&self, trouble: Trouble) {
        match trouble {
            Trouble::Halted => {}
            Trouble::Index(_) => {
                self.wanted.halt.want();
                lock(&self.fatal).get_or_insert(trouble);
            }
            Trouble::Source { .. } | Trouble::Copy { .. } | Trouble::Drive { .. } => {
                let mut done = lock(&self.done);
                if done.troubles.len() < TROUBLES {
                    done.troubles.push(trouble);
                } else {
                    done.more_troubles += 1;
                }
            }
        }
    }

    fn try_folder<'p>(&'p self, task: &Task<'p>, pool: &Pool<'p>) -> Result<(), Trouble>
    where
        'a: 'p,
    {
        let looked = folder::now();
        let here = match task.way.enter(&task.parent) {
            Ok(here) => here,
            Err(error) if folder::is_no_folder(&error) => {
                let put = self.wanted.new.put(task.number, &[]);
                return put.map_err(Trouble::Index);
            }
            Err(error) => return Err(self.wanted.wrong(&task.path, error)),
        };
        let old = match (self.wanted.earlier, task.old) {
            (Some(earlier), Some(block)) => known_of(earlier, block),
            _ => Vec::new(),
        };
        let names = match task.scope.and_then(Scope::names) {
            Some(names) => names.cloned().collect(),
            None => {
                folder::names(here.as_fd()).map_err(|error| self.wanted.wrong(&task.path, error))?
            }
        };
        let found = self.look_at_all(task, &here, names, &old, looked)?;
        self.wanted
            .new
            .put(task.number, &found)
            .map_err(Trouble::Index)?;
        for seen in found {
            let SeenKind::Folder { block } = seen.kind else {
                continue;
            };
            let below = Task {
                path: task.below(&seen.name),
                parent: Arc::clone(&here),
                number: block,
                old: old_of(&old, &seen.name).and_then(block_of),
                scope: task.scope.and_then(|scope| scope.enter(&seen.name)),
                way: Way::below(task.scope, seen.name),
            };
            pool.spawn(move |pool| self.folder(&below, pool));
        }
        Ok(())
    }

    /// Every wanted name of a folder, sorted.
    fn look_at_all(
        &self,
        task: &Task,
        here: &OwnedFd,
        mut names: Vec<Vec<u8>>,
        old: &[Seen],
        looked: Time,
    ) -> Result<Vec<Seen>, Trouble> {
        names.sort_unstable();
        let look = |name: Vec<u8>| {
            self.wanted.halt.look()?;
            let path = task.below(&name);
            match self.look(task, here, name, old, looked) {
                Err(
                    trouble @ (Trouble::Source { .. }
                    | Trouble::Copy { .. }
                    | Trouble::Drive { .. }),
                ) => {
                    self.trouble(trouble);
                    Ok(None)
                }
                Ok(Some(mut seen)) if seen.is_folder() => {
                    seen.kind = SeenKind::Folder {
                        block: self.wanted.new.number(),
                    };
                    Ok(Some(seen))
                }
                Ok(Some(seen)) => {
                    let old = old_of(old, &seen.name);
                    let found = self.finder.with_digest(here, seen, old, &path);
                    found.or_else(|trouble| {
                        self.trouble(trouble);
                        Ok(None)
                    })
                }
                other => other,
            }
        };
        let names = names.into_par_iter().with_min_len(SHARE);
        let found: Result<Vec<Option<Seen>>, Trouble> = names.map(look).collect();
        Ok(found?.into_iter().flatten().collect())
    }

    fn look(
        &self,
        task: &Task,
        here: &OwnedFd,
        name: Vec<u8>,
        old: &[Seen],
        looked: Time,
    ) -> Result<Option<Seen>, Trouble> {
        if let Of::Source { exclusions, .. } = self.wanted.of
            && exclusions.leaves_out(&task.path, &name)
        {
            return Ok(None);
        }
        let wrong = |error: std::io::Error| self.wanted.wrong(&task.below(&name), error);
        let leads_on = task.scope.is_some_and(|scope| scope.enter(&name).is_some());
        let stat = if leads_on {
            let by_link = statat(here, OsStr::from_bytes(&name), AtFlags::empty());
            by_link.map(Some).map_err(std::io::Error::from)
        } else {
            folder::look(here.as_fd(), &name)
        };
        let Some(stat) = stat.map_err(wrong)? else {
            return Ok(None);
        };
        let number = self.file_systems.number(here.as_fd(), &name, stat.st_dev);
        let path = task.below(&name);
        let seen = folder::seen(here.as_fd(), name, &stat, looked);
        let Some(mut seen) = seen.map_err(|error| self.wanted.wrong(&path, error))? else {
            return Ok(None);
        };
        seen.file_system = number;
        seen.blocks = u64::try_from(stat.st_blocks).unwrap_or(0);
        if let Of::Source { begun, .. } = self.wanted.of
            && seen.is_folder()
            && !leads_on
            && !is_before(seen.changed, begun)
            && old_of(old, &seen.name).is_none_or(|old| old.changed != seen.changed)
        {
            self.unsure_folders.fetch_add(1, Ordering::Relaxed);
        }
        Ok(Some(seen))
    }
}

fn old_of<'o>(old: &'o [Seen], name: &[u8]) -> Option<&'o Seen> {
    let at = old
        .binary_search_by(|old| old.name.as_slice().cmp(name))
        .ok()?;
    Some(&old[at])
}

/// The names of one folder as they were. What cannot be read of an index is not known: the files are read.
fn known_of(earlier: &Earlier, block: u32) -> Vec<Seen> {
    earlier.index.block(block).unwrap_or_else(|error| {
        tracing::warn!("the index of what was before: {error}; files are read again");
        Vec::new()
    })
}

fn block_of(seen: &Seen) -> Option<u32> {
    match seen.kind {
        SeenKind::Folder { block } => Some(block),
        _ => None,
    }
}

#[cfg(test)]
#[path = "describe_tests.rs"]
mod tests;
