//! The step that writes the manifest of a tree that a tool copied.

use std::io;
use std::os::fd::{AsFd, OwnedFd};
use std::path::{Path, PathBuf};

use rustix::fs::{Mode, OFlags};
use tracing::{info, warn};

use super::Executor;
use super::manifest_writing::{passing_file, top_of, top_there, write_manifest};
use super::native_watch::{index_error, unreadable};
use crate::plan::{Describe, Described, KnownDigests, Step, Stop};
use crate::prove::manifest::{self, Beside, Heading};
use crate::record::{GenerationName, Outcome};
use crate::report::counted;
use crate::system::job_folder::open_below;
use crate::system::remote_drive::ask_remote;
use crate::system::source_indexes;
use crate::tools::files::{self, Told};
use crate::tree::describe::{self, Earlier, Of, Proof, Wanted, describe};
use crate::tree::index::{Foot, Index, NewIndex};
use crate::tree::{Exclusions, Scope, Trouble, from_manifest};

impl Executor<'_> {
    pub(super) fn describe(&mut self, step: &Step, wanted: &Describe) -> Result<String, Stop> {
        let (index, kept) = new_index(wanted)?;
        let earlier = self.earlier(&wanted.known);
        let found = match &wanted.of {
            Described::Copy => {
                let root = self.copy(&wanted.tree)?;
                self.look(step, &root, Of::Copy, earlier.as_ref(), &index)?
            }
            Described::Source {
                sources,
                exclude,
                hidden,
            } => {
                let flags = OFlags::DIRECTORY | OFlags::CLOEXEC;
                let root = rustix::fs::open("/", flags, Mode::empty())
                    .map_err(|error| index_error(&error.into()))?;
                let of = Of::Source {
                    scope: &Scope::of(sources),
                    exclusions: &Exclusions::new(exclude, hidden),
                    begun: self.begun,
                };
                self.look(step, &root, of, earlier.as_ref(), &index)?
            }
        };
        info!("  {} read", counted(found.read, "file", "files"));
        could_be_read(&found)?;
        self.note_unsure(&found);
        let files = self.write_out(step, wanted, &index)?;
        let foot = Foot {
            generation: self.plan.generation,
            file_systems: found.file_systems,
            births: Vec::new(),
            alive: std::collections::BTreeMap::new(),
        };
        if let Some(kept) = kept {
            let finished = index.finish(&foot);
            let put = finished.and_then(|()| source_indexes::put_in_place(&kept));
            put.map_err(|error| index_error(&error))?;
        }
        Ok(format!(
            "{} listed, {} read",
            counted(files, "file", "files"),
            counted(found.read, "file", "files")
        ))
    }

    /// What is known from before. What cannot be read is not known: the files are read.
    fn earlier(&mut self, known: &KnownDigests) -> Option<Earlier> {
        match known {
            KnownDigests::Nothing => None,
            KnownDigests::Index(path) => match Index::open(path) {
                Ok(index) => Some(Earlier {
                    index,
                    proof: Proof::Untouched,
                }),
                Err(error) if error.kind() == io::ErrorKind::NotFound => None,
                Err(error) => {
                    warn!("`{}`: {error}; every file is read", path.display());
                    None
                }
            },
            KnownDigests::Generation(name) => match self.manifest_of(*name) {
                Ok(index) => Some(Earlier {
                    index,
                    proof: Proof::SameInode,
                }),
                Err(error) => {
                    self.done.notes.push(format!(
                        "the manifest of `{name}` could not be read ({error}): the digests of what is shared \
                        with it were worked out anew"
                    ));
                    None
                }
            },
        }
    }

    fn manifest_of(&self, name: GenerationName) -> io::Result<Index> {
        let folder = self.hands().map_err(|stop| io::Error::other(stop.reason))?;
        let folder = folder.folder()?;
        let text = manifest::open_in(folder.as_fd(), &format!("{name}.mtree"))?;
        let copy = open_below(folder.as_fd(), Path::new(&name.to_string()))?;
        Ok(from_manifest::before(text, name, copy)?.index)
    }

    fn look(
        &self,
        step: &Step,
        root: &OwnedFd,
        of: Of,
        earlier: Option<&Earlier>,
        index: &NewIndex,
    ) -> Result<describe::Described, Stop> {
        self.at_work(step, |halt| {
            describe(Wanted {
                root,
                of,
                earlier,
                new: index,
                halt,
            })
        })
    }

    /// The tree that was copied, on a local drive.
    fn copy(&self, tree: &str) -> Result<OwnedFd, Stop> {
        let folder = self.folder()?;
        open_below(folder.as_fd(), Path::new(tree)).map_err(|error| self.drive_error(&error))
    }

    /// Writes the manifest under a name that says that it is not whole yet; gives the number of files.
    fn write_out(&mut self, step: &Step, wanted: &Describe, index: &NewIndex) -> Result<u64, Stop> {
        let title = self.title();
        let heading = |beside| Heading {
            title: &title,
            file: &wanted.manifest,
            beside,
        };
        let Some(line) = self.plan.landing.ssh() else {
            let folder = self.folder()?;
            let copy = self.copy(&wanted.tree)?;
            let heading = heading(Beside::Folder(&wanted.entry));
            return manifest::create_in(folder.as_fd(), &wanted.manifest)
                .and_then(|file| write_manifest(file, &top_of(&copy)?, &heading, index))
                .map(|totals| totals.files)
                .map_err(|error| self.drive_error(&error));
        };
        let heading = heading(if line.keeps_owners_in_xattrs() {
            Beside::FolderToBringBack(&wanted.entry)
        } else {
            Beside::Folder(&wanted.entry)
        });
        let top = top_there(self.told_there(&wanted.tree)?);
        let (file, totals) = passing_file(&wanted.scratch)
            .and_then(|file| {
                let totals = write_manifest(file.try_clone()?, &top, &heading, index)?;
                Ok((file, totals))
            })
            .map_err(|error| index_error(&error))?;
        self.send(step, file, &manifest::partial_name(&wanted.manifest))?;
        Ok(totals.files)
    }

    /// What the drive's host knows of an entry of the job's folder.
    pub(super) fn told_there(&self, entry: &str) -> Result<Told, Stop> {
        let landing = &self.plan.landing;
        let nobody = || Stop::new(Outcome::Failed, "the drive is not on another host");
        let line = landing.ssh().ok_or_else(nobody)?;
        let path = landing.path().join(entry);
        let answer = ask_remote(line, &files::tell(&path))?;
        files::parse_told(&answer.text()).ok_or_else(|| {
            let said = answer.stderr.trim();
            let reason = format!("`{}` on `{}`: {said}", path.display(), line.host);
            Stop::new(Outcome::Failed, reason)
        })
    }

    fn note_unsure(&mut self, found: &describe::Described) {
        if found.unsure > 0 {
            self.done.notes.push(format!(
                "{} changed while the copy was made: the manifest gives no digest of them",
                counted(found.unsure, "file", "files")
            ));
        }
        if found.unsure_folders > 0 {
            self.done.notes.push(format!(
                "names came or went in {} while the copy was made: the manifest tells those that are there now",
                counted(found.unsure_folders, "folder", "folders")
            ));
        }
    }
}

fn could_be_read(found: &describe::Described) -> Result<(), Stop> {
    let is_copy = |trouble: &Trouble| matches!(trouble, Trouble::Copy { .. });
    let read = unreadable(&found.troubles, found.more_troubles);
    read.map_err(|stop| {
        if !found.troubles.iter().any(is_copy) {
            return stop;
        }
        Stop::new(Outcome::Failed, stop.reason)
            .advise("look at the drive and `dmesg`: what was copied cannot be read back")
            .advise("a file of a mirror that is damaged on the drive is copied anew once it is removed there")
    })
}

/// The index that is written, and whose place it takes.
fn new_index(wanted: &Describe) -> Result<(NewIndex, Option<PathBuf>), Stop> {
    let made = match &wanted.known {
        KnownDigests::Index(path) => {
            source_indexes::renew(path).map(|index| (index, Some(path.clone())))
        }
        KnownDigests::Nothing | KnownDigests::Generation(_) => {
            source_indexes::passing(&wanted.scratch).map(|index| (index, None))
        }
    };
    made.map_err(|error| index_error(&error))
}
