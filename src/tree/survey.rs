//! Looks at every name of the source, on all cores, and tells what is not as the last index has it.

use std::collections::HashSet;
use std::ffi::OsStr;
use std::os::fd::{AsFd, OwnedFd};
use std::os::unix::ffi::OsStrExt;
use std::path::PathBuf;
use std::sync::{Arc, Mutex};

use rayon::Scope as Pool;
use rustix::fs::{AtFlags, Mode, OFlags, open, statat};

use super::compare::{self, Verdict};
use super::doubt;
use super::file_systems::FileSystems;
use super::folder::{self, Way};
use super::groups::Groups;
use super::halt::Halt;
use super::index::{Index, Marks, NewIndex, ROOT, Seen, SeenKind};
use super::scope::Scope;
use super::tally::{Counts, Tally};
use super::touched::Touched;
use super::{Exclusions, Trouble, lock, pool};
use crate::prove::manifest::Time;
use crate::record::GenerationName;

/// What is looked at, and what it is held against.
#[derive(Clone, Copy)]
pub struct Wanted<'a> {
    pub sources: &'a [PathBuf],
    pub exclusions: &'a Exclusions,
    pub before: Option<&'a Before>,
    /// Where what is found is written; a dry run writes nothing.
    pub new: Option<&'a NewIndex>,
    pub halt: &'a Halt,
}

/// The last index, and the copy that it tells of.
#[derive(Debug)]
pub struct Before {
    pub index: Index,
    pub copy: OwnedFd,
    /// Inodes of the copy that have several names in it, where the index does not tell.
    pub joined: HashSet<u64>,
}

/// What a survey found.
#[derive(Debug)]
pub struct Found {
    pub counts: Counts,
    pub groups: Groups,
    pub touched: Touched,
    pub file_systems: Vec<u64>,
    pub births: Vec<GenerationName>,
}

/// # Errors
/// [`Trouble::Halted`]; what is wrong with the index. What cannot be read of the source is in [`Counts::troubles`].
pub fn survey(wanted: Wanted) -> Result<Found, Trouble> {
    let known = wanted.before.map(|before| &before.index.foot);
    let survey = Survey {
        wanted,
        tally: Tally::default(),
        groups: Mutex::default(),
        touched: Mutex::default(),
        file_systems: FileSystems::new(known.map_or(Vec::new(), |foot| foot.file_systems.clone())),
        numbers: Mutex::new(0),
        fatal: Mutex::new(None),
    };
    let scope = Scope::of(wanted.sources);
    let root = open("/", OFlags::DIRECTORY | OFlags::CLOEXEC, Mode::empty())
        .map_err(|error| Trouble::source(b"/", error))?;
    let task = Task {
        path: Vec::new(),
        way: Way::Root,
        parent: Arc::new(root),
        number: survey.number(),
        old: wanted.before.map(|_| ROOT),
        scope: Some(&scope),
    };
    pool()?.scope(|pool| survey.folder(&task, pool));
    if let Some(trouble) = lock(&survey.fatal).take() {
        return Err(trouble);
    }
    wanted.halt.look()?;
    let groups = survey.groups.into_inner().unwrap_or_default();
    let mut touched = survey.touched.into_inner().unwrap_or_default();
    groups
        .folders_to_visit()
        .for_each(|folder| touched.put(folder));
    Ok(Found {
        counts: survey.tally.finish(),
        groups,
        touched,
        file_systems: survey.file_systems.table(),
        births: known.map_or(Vec::new(), |foot| foot.births.clone()),
    })
}

struct Survey<'a> {
    wanted: Wanted<'a>,
    tally: Tally,
    groups: Mutex<Groups>,
    touched: Mutex<Touched>,
    file_systems: FileSystems,
    /// Block numbers given out where no index is written.
    numbers: Mutex<u32>,
    /// What makes going on senseless.
    fatal: Mutex<Option<Trouble>>,
}

/// A folder to be looked at.
struct Task<'s> {
    /// Its absolute path; empty for the root.
    path: Vec<u8>,
    way: Way,
    parent: Arc<OwnedFd>,
    number: u32,
    /// Its block in the last index.
    old: Option<u32>,
    scope: Option<&'s Scope>,
}

impl<'s> Survey<'s> {
    fn number(&self) -> u32 {
        if let Some(new) = self.wanted.new {
            return new.number();
        }
        let mut next = lock(&self.numbers);
        *next += 1;
        *next - 1
    }

    fn folder<'p>(&'p self, task: &Task<'p>, pool: &Pool<'p>)
    where
        's: 'p,
    {
        if self.wanted.halt.look().is_err() {
            return;
        }
        let (number, path) = (task.number, task.path.clone());
        if let Err(trouble) = self.try_folder(task, pool) {
            if matches!(trouble, Trouble::Index(_)) {
                self.wanted.halt.want();
                *lock(&self.fatal) = Some(trouble);
                return;
            }
            self.tally.trouble(trouble);
            // the folder stands in its parent's block, with nothing in it
            if let Some(Err(error)) = self.wanted.new.map(|new| new.put(number, &[])) {
                self.tally.trouble(Trouble::source(&path, error));
            }
        }
    }

    fn try_folder<'p>(&'p self, task: &Task<'p>, pool: &Pool<'p>) -> Result<(), Trouble>
    where
        's: 'p,
    {
        let wrong = |error| Trouble::source(&task.path, error);
        let looked = folder::now();
        let here = match task.way.enter(&task.parent) {
            Ok(here) => here,
            Err(error) if folder::is_no_folder(&error) => {
                self.tally.vanished();
                return self.put(task.number, &[]);
            }
            Err(error) => return Err(wrong(error)),
        };
        let before = self.before(task.old)?;
        let mut names = listed(task, &here)?;
        names.sort_unstable();
        let mut found = Vec::with_capacity(names.len());
        for name in names {
            found.extend(self.look(task, &here, name, looked)?);
        }
        let folders = self.compare(task, &mut found, &before)?;
        self.put(task.number, &found)?;
        for (at, old) in folders {
            let seen = &found[at];
            let SeenKind::Folder { block } = seen.kind else {
                continue;
            };
            let scope = task.scope.and_then(|scope| scope.enter(&seen.name));
            let name = seen.name.clone();
            let task = Task {
                path: [task.path.as_slice(), b"/", &name].concat(),
                way: Way::below(task.scope, name),
                parent: Arc::clone(&here),
                number: block,
                old,
                scope,
            };
            pool.spawn(move |pool| self.folder(&task, pool));
        }
        Ok(())
    }

    fn look(
        &self,
        task: &Task,
        here: &OwnedFd,
        name: Vec<u8>,
        looked: Time,
    ) -> Result<Option<Seen>, Trouble> {
        let path = || [task.path.as_slice(), b"/", &name].concat();
        let leads_on = task.scope.is_some_and(|scope| scope.enter(&name).is_some());
        // rsync, too, copies the folders that lead to a source whatever their names
        if !leads_on && self.wanted.exclusions.leaves_out(&task.path, &name) {
            return Ok(None);
        }
        let stat = if leads_on {
            let by_link = statat(here, OsStr::from_bytes(&name), AtFlags::empty());
            by_link.map(Some).map_err(std::io::Error::from)
        } else {
            folder::look(here.as_fd(), &name)
        };
        let Some(stat) = stat.map_err(|error| Trouble::source(&path(), error))? else {
            self.tally.vanished();
            return Ok(None);
        };
        let file_system = self.file_systems.number(here.as_fd(), &name, stat.st_dev);
        let path = path();
        let seen = folder::seen(here.as_fd(), name, &stat, looked)
            .map_err(|error| Trouble::source(&path, error))?;
        Ok(seen.map(|mut seen| {
            seen.file_system = file_system;
            seen
        }))
    }

    fn before(&self, old: Option<u32>) -> Result<Vec<Seen>, Trouble> {
        match (self.wanted.before, old) {
            (Some(before), Some(block)) => before.index.block(block).map_err(Trouble::Index),
            _ => Ok(Vec::new()),
        }
    }

    fn put(&self, number: u32, names: &[Seen]) -> Result<(), Trouble> {
        let put = self.wanted.new.map_or(Ok(()), |new| new.put(number, names));
        put.map_err(Trouble::Index)
    }

    /// Holds each name against the last index, gives its folders, by their place, with their old blocks.
    fn compare(
        &self,
        task: &Task,
        found: &mut [Seen],
        before: &[Seen],
    ) -> Result<Vec<(usize, Option<u32>)>, Trouble> {
        let mut part = self.tally.part(&task.path);
        let mut folders = Vec::new();
        let mut touched = false;
        let mut old_names = before.iter().peekable();
        for (at, seen) in found.iter_mut().enumerate() {
            while let Some(old) = old_names.next_if(|old| old.name < seen.name) {
                touched = true;
                part.vanished(old, self.below(old)?);
            }
            // a folder that was gone when it was to be copied is not known, nor is what was in it
            let old = old_names
                .next_if(|old| old.name == seen.name)
                .filter(|old| !(old.is_folder() && old.marks.has(Marks::GONE)));
            if seen.is_folder() {
                touched |= self.subfolder(task, seen, old);
                if let Some(old) = old.filter(|old| !old.is_folder()) {
                    part.vanished(old, 0);
                }
                folders.push((at, old.and_then(block_of)));
                continue;
            }
            if let Some(old) = old.filter(|old| old.is_folder()) {
                part.vanished(old, self.below(old)?);
            }
            let verdict = self.verdict(task, seen, old)?;
            if let (Verdict::Same, Some(old)) = (verdict, old) {
                compare::carry_over(seen, old);
            }
            if self.is_in_group(seen, old) {
                lock(&self.groups).take(seen, old, task.number);
            }
            touched |= verdict != Verdict::Same;
            part.take(seen, verdict);
        }
        for old in old_names {
            touched = true;
            part.vanished(old, self.below(old)?);
        }
        if touched {
            lock(&self.touched).put(task.number);
        }
        Ok(folders)
    }

    fn is_in_group(&self, seen: &Seen, old: Option<&Seen>) -> bool {
        let was_joined = |old: &Seen| {
            old.marks.has(Marks::SEVERAL)
                || self
                    .wanted
                    .before
                    .is_some_and(|before| before.joined.contains(&old.inode))
        };
        seen.marks.has(Marks::SEVERAL) || old.is_some_and(was_joined)
    }

    /// Whether the folder that holds this one has work with it.
    fn subfolder(&self, task: &Task, seen: &mut Seen, old: Option<&Seen>) -> bool {
        let block = self.number();
        seen.kind = SeenKind::Folder { block };
        let is_same = old.is_some_and(|old| seen.is_untouched_since(old));
        if is_same {
            seen.marks.put(Marks::SAME);
        }
        let mut touched = lock(&self.touched);
        touched.set_parent(block, task.number);
        if !is_same {
            touched.put(block);
        }
        old.is_none_or(|old| !old.is_folder())
    }

    fn verdict(&self, task: &Task, seen: &Seen, old: Option<&Seen>) -> Result<Verdict, Trouble> {
        let first = compare::verdict(seen, old);
        let (Verdict::Doubtful, Some(before)) = (first, self.wanted.before) else {
            return Ok(first);
        };
        let path = [task.path.as_slice(), b"/", &seen.name].concat();
        if matches!(seen.kind, SeenKind::File { .. }) {
            self.tally.read_again(seen.size());
        }
        let is_same = doubt::is_same(&path, seen, old, before, self.wanted.halt);
        match is_same {
            Ok(true) => Ok(Verdict::Same),
            Ok(false) => Ok(Verdict::Changed),
            Err(Trouble::Halted) => Err(Trouble::Halted),
            Err(trouble) => {
                self.tally.trouble(trouble);
                Ok(Verdict::Changed)
            }
        }
    }

    /// How many files were below a folder that is gone.
    fn below(&self, old: &Seen) -> Result<u64, Trouble> {
        let mut count = 0;
        let mut blocks: Vec<u32> = block_of(old).into_iter().collect();
        while let Some(block) = blocks.pop() {
            for seen in self.before(Some(block))? {
                match block_of(&seen) {
                    Some(below) => blocks.push(below),
                    None => count += 1,
                }
            }
        }
        Ok(count)
    }
}

fn block_of(seen: &Seen) -> Option<u32> {
    match seen.kind {
        SeenKind::Folder { block } => Some(block),
        _ => None,
    }
}

/// The names of a folder that are wanted.
fn listed(task: &Task, here: &OwnedFd) -> Result<Vec<Vec<u8>>, Trouble> {
    match task.scope.and_then(Scope::names) {
        Some(names) => Ok(names.cloned().collect()),
        None => folder::names(here.as_fd()).map_err(|error| Trouble::source(&task.path, error)),
    }
}
