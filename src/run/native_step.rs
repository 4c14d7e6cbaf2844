//! The steps of a history that hayloft does itself, watched like any tool.

use std::collections::{BTreeMap, HashSet};
use std::io;
use std::os::fd::{AsFd, OwnedFd};
use std::path::{Path, PathBuf};

use tracing::warn;

use super::Executor;
use super::manifest_writing::{top_of, write_manifest};
use super::native_watch::{index_error, unreadable};
use crate::keep::Night;
use crate::plan::{Build, Known, KnownBy, Native, Sharing, Step, Stop, Survey};
use crate::prove::manifest::{self, Beside, Heading};
use crate::record::{GenerationName, Outcome};
use crate::report::counted;
use crate::system::job_folder::open_below;
use crate::system::source_indexes;
use crate::tree::index::{Foot, Index, NewIndex};
use crate::tree::survey::{Before, Found};
use crate::tree::{Exclusions, Leftover, Scope, Trouble, build, finish, from_manifest, survey};

/// What the steps of one copy hand on to each other.
pub struct Work {
    scope: Scope,
    found: Found,
    /// The index that is being written. A dry run writes none.
    index: Option<NewIndex>,
    indexes: PathBuf,
    last: Option<OwnedFd>,
    /// What the files of the last copy take on the drive, by the generation in which they were new; where it is
    /// known, and that copy is the newest.
    alive_before: Option<BTreeMap<GenerationName, u64>>,
    /// Names left to rsync.
    others: Vec<u8>,
    /// The folders that hold them.
    late: HashSet<u32>,
    bytes_copied: u64,
    folder_bytes: u64,
}

impl Executor<'_> {
    pub(super) fn native(&mut self, step: &Step, act: &Native) -> Result<String, Stop> {
        match act {
            Native::Survey(wanted) => self.survey(step, wanted),
            Native::Build(wanted) => self.build(step, wanted),
            Native::Finish { partial, manifest } => self.finish_copy(step, partial, manifest),
            Native::Settle => self.settle_index(),
            Native::Describe(wanted) => self.describe(step, wanted),
            Native::DescribeArchive(wanted) => self.describe_archive(step, wanted),
            Native::SameEntries(wanted) => self.same_entries(wanted),
            Native::ScratchConfig(wanted) => self.scratch_config(wanted),
        }
    }

    /// The names that a step left to a tool; none when there is nothing to do for it.
    pub(super) fn names_left(&mut self) -> Option<Vec<u8>> {
        let others = std::mem::take(&mut self.work.as_mut()?.others);
        (!others.is_empty()).then_some(others)
    }

    fn survey(&mut self, step: &Step, wanted: &Survey) -> Result<String, Stop> {
        let mut before = match wanted.against {
            Some(known) => self.before(known, &wanted.indexes)?,
            None => None,
        };
        let mut looked = self.hold_against(step, wanted, before.as_ref())?;
        if let (Err(error), Some(known)) = (&looked, wanted.against)
            && is_damage(error)
        {
            warn!("  the index of the source: {error}; the manifest is read");
            before = self.by_manifest(known)?;
            looked = self.hold_against(step, wanted, before.as_ref())?;
        }
        let (found, index) = looked.map_err(|error| index_error(&error))?;
        unreadable(&found.counts.troubles, found.counts.more_troubles)?;
        let counts = &found.counts;
        self.note_gone(counts.vanished);
        self.note_read_again(counts.read_again);
        self.done.changes = Some(counts.changes);
        self.done.first.clone_from(&counts.first);
        let words = format!(
            "looked at {}",
            counted(counts.changes.files, "file", "files")
        );
        let newest = self.plan.against.as_ref().map(|newest| newest.name);
        let alive_before = before
            .as_ref()
            .map(|before| &before.index.foot)
            .filter(|foot| Some(foot.generation) == newest && !foot.alive.is_empty())
            .map(|foot| foot.alive.clone());
        self.work = Some(Work {
            scope: Scope::of(&wanted.sources),
            found,
            index,
            indexes: wanted.indexes.clone(),
            last: before.map(|before| before.copy),
            alive_before,
            others: Vec::new(),
            late: HashSet::new(),
            bytes_copied: 0,
            folder_bytes: 0,
        });
        Ok(words)
    }

    /// Holds the source against what is known. The inner error is one of an index.
    fn hold_against(
        &self,
        step: &Step,
        wanted: &Survey,
        before: Option<&Before>,
    ) -> Result<io::Result<(Found, Option<NewIndex>)>, Stop> {
        let exclusions = Exclusions::new(&wanted.exclude, &wanted.hidden);
        // what is found is written down where a copy is to follow
        let index = self
            .keeper
            .is_some()
            .then(|| source_indexes::create(&wanted.indexes, self.plan.generation));
        let index = index.transpose().map_err(|error| index_error(&error))?;
        let looked = self.at_work(step, |halt| {
            let found = survey::survey(survey::Wanted {
                sources: &wanted.sources,
                exclusions: &exclusions,
                before,
                new: index.as_ref(),
                halt,
            });
            match found {
                Ok(found) => Ok(Ok(found)),
                Err(Trouble::Index(error)) => Ok(Err(error)),
                Err(trouble) => Err(trouble),
            }
        })?;
        Ok(looked.map(|found| (found, index)))
    }

    /// What the source is held against; nothing where no list of what the copy holds can be read.
    fn before(&mut self, known: Known, indexes: &Path) -> Result<Option<Before>, Stop> {
        if known.by == KnownBy::Manifest {
            return self.by_manifest(known);
        }
        match Index::open(&source_indexes::path(indexes, known.generation)) {
            Ok(index) => Ok(Some(Before {
                index,
                copy: self.copy_of(known)?,
                joined: HashSet::new(),
            })),
            Err(error) => {
                warn!("  the index of the source: {error}; the manifest is read");
                self.by_manifest(known)
            }
        }
    }

    fn copy_of(&self, known: Known) -> Result<OwnedFd, Stop> {
        let name = known.generation.to_string();
        open_below(self.folder()?.as_fd(), Path::new(&name))
            .map_err(|error| self.drive_error(&error))
    }

    fn by_manifest(&mut self, known: Known) -> Result<Option<Before>, Stop> {
        let (folder, copy) = (self.folder()?, self.copy_of(known)?);
        let name = format!("{}.mtree", known.generation);
        let read = manifest::open_in(folder.as_fd(), &name)
            .and_then(|text| from_manifest::before(text, known.generation, copy));
        match read {
            Ok(before) => Ok(Some(before)),
            Err(error) => {
                self.done.notes.push(format!(
                    "`{name}` could not be read, so nothing was shared with that generation: {error}"
                ));
                Ok(None)
            }
        }
    }

    fn build(&mut self, step: &Step, wanted: &Build) -> Result<String, Stop> {
        let folder = self.folder()?;
        let copy = copy_folder(&folder, wanted).map_err(|error| self.drive_error(&error))?;
        // no link leads from one subvolume into another
        let is_linking = wanted.sharing == Sharing::Links;
        let leftovers: Vec<Leftover> = wanted
            .leftovers
            .iter()
            .filter(|_| is_linking)
            .filter_map(|name| open_below(folder.as_fd(), Path::new(name)).ok())
            .map(Leftover)
            .collect();
        let mut work = self.taken_up()?;
        let Some(index) = &work.index else {
            return Err(no_survey());
        };
        let beginning = match wanted.sharing {
            Sharing::Links => build::Beginning::Empty {
                last: work.last.as_ref(),
            },
            Sharing::Snapshot => build::Beginning::Snapshot,
        };
        let born = u32::try_from(work.found.births.len()).unwrap_or(u32::MAX);
        let built = self.at_work(step, |halt| {
            build::build(&build::Wanted {
                scope: &work.scope,
                found: &work.found,
                index,
                beginning,
                copy: &copy,
                leftovers: &leftovers,
                born,
                halt,
            })
        });
        let built = built?;
        unreadable(&built.troubles, 0)?;
        self.note_gone(built.gone);
        if built.not_linked > 0 {
            self.done.notes.push(format!(
                "{} of the last generation could not be shared, and copied anew",
                counted(built.not_linked, "file", "files")
            ));
        }
        work.found.births.push(self.plan.generation);
        work.others = built.others;
        work.late = built.late;
        work.bytes_copied = built.bytes_copied;
        work.folder_bytes = built.folder_bytes;
        self.work = Some(work);
        Ok("done".to_owned())
    }

    fn finish_copy(&mut self, step: &Step, partial: &str, manifest: &str) -> Result<String, Stop> {
        let folder = self.folder()?;
        let copy = open_below(folder.as_fd(), Path::new(partial))
            .map_err(|error| self.drive_error(&error))?;
        let work = self.taken_up()?;
        let Some(index) = &work.index else {
            return Err(no_survey());
        };
        let finished = self.at_work(step, |halt| {
            finish::finish(&finish::Wanted {
                scope: &work.scope,
                index,
                copy: &copy,
                late: &work.late,
                ways: work.found.touched.ways_to(&work.late),
                halt,
            })
        })?;
        self.note_gone(finished.gone);
        let heading = Heading {
            title: &self.title(),
            file: manifest,
            beside: Beside::Folder(&self.plan.generation.to_string()),
        };
        let top = top_of(&copy).map_err(|error| self.drive_error(&error))?;
        let totals = manifest::create_in(folder.as_fd(), manifest)
            .and_then(|file| write_manifest(file, &top, &heading, index))
            .map_err(|error| self.drive_error(&error))?;
        let written = manifest::partial_name(manifest);
        let beside = size_on_drive(&folder, &written) + size_on_drive(&folder, partial);
        let by_number = |(number, bytes): (&u32, &u64)| {
            let born = work.found.births.get(*number as usize);
            born.map(|born| (*born, *bytes))
        };
        let alive: BTreeMap<GenerationName, u64> =
            totals.alive.iter().filter_map(by_number).collect();
        let own_bytes = work.folder_bytes + finished.folders + beside;
        let night = work
            .alive_before
            .as_ref()
            .map(|before| night(self.plan.generation, before, &alive, own_bytes));
        let foot = Foot {
            generation: self.plan.generation,
            file_systems: work.found.file_systems.clone(),
            births: work.found.births.clone(),
            alive,
        };
        index.finish(&foot).map_err(|error| index_error(&error))?;
        self.done.night = night;
        let changes = self.done.changes.get_or_insert_default();
        totals.correct(changes);
        changes.new_bytes = work.bytes_copied + finished.bytes;
        self.work = Some(work);
        Ok(format!("{} listed", counted(totals.files, "file", "files")))
    }

    fn settle_index(&mut self) -> Result<String, Stop> {
        let work = self.taken_up()?;
        let kept = source_indexes::keep_only(&work.indexes, self.plan.generation);
        kept.map_err(|error| index_error(&error))?;
        Ok("done".to_owned())
    }

    fn taken_up(&mut self) -> Result<Work, Stop> {
        self.work.take().ok_or_else(no_survey)
    }

    pub(super) fn folder(&self) -> Result<OwnedFd, Stop> {
        self.still_there()?;
        let folder = self.hands()?.folder();
        folder.map_err(|error| self.drive_error(&error))
    }
}

/// What the drive's ledger is to be told: what is new, and what of the last copy is not in this one.
fn night(
    name: GenerationName,
    before: &BTreeMap<GenerationName, u64>,
    alive: &BTreeMap<GenerationName, u64>,
    own_bytes: u64,
) -> Night {
    let still = |born| alive.get(born).copied().unwrap_or(0);
    let ended = before
        .iter()
        .map(|(born, bytes)| (*born, bytes.saturating_sub(still(born))))
        .filter(|(_, bytes)| *bytes > 0);
    Night {
        name,
        ended: ended.collect(),
        new_bytes: still(&name),
        own_bytes,
    }
}

/// Whether an index cannot be read; one that cannot be written is no reason to read every file of the source.
fn is_damage(error: &io::Error) -> bool {
    let is_of_disk = error.raw_os_error() == Some(rustix::io::Errno::IO.raw_os_error());
    let kinds = [io::ErrorKind::InvalidData, io::ErrorKind::UnexpectedEof];
    is_of_disk || kinds.contains(&error.kind())
}

/// Bytes that the file system gave out for an entry itself.
fn size_on_drive(folder: &OwnedFd, entry: &str) -> u64 {
    let found = rustix::fs::statat(folder, entry, rustix::fs::AtFlags::SYMLINK_NOFOLLOW);
    found.map_or(0, |found| found.st_blocks.cast_unsigned() * 512)
}

fn no_survey() -> Stop {
    Stop::new(Outcome::Failed, "the source was not looked at before")
}

/// The folder of the new copy. A snapshot is there already.
fn copy_folder(folder: &OwnedFd, wanted: &Build) -> io::Result<OwnedFd> {
    if wanted.sharing == Sharing::Links {
        let mode = rustix::fs::Mode::RWXU;
        rustix::fs::mkdirat(folder, wanted.partial.as_str(), mode)?;
    }
    open_below(folder.as_fd(), Path::new(&wanted.partial))
}
