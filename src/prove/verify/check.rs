//! Verifies one copy on a local drive: its manifest and its tree, on all cores.

use std::io;
use std::os::fd::{BorrowedFd, OwnedFd};
use std::os::unix::ffi::OsStringExt;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use rayon::ThreadPool;
use rayon::iter::{ParallelBridge, ParallelIterator};
use rustix::fs::{AtFlags, statat};

use super::chosen::{Chosen, Slice};
use super::content::buffer;
use super::folder::{look_at_folder, open_folder};
use super::known::Known;
use super::ledger::{Ledger, Sum};
use super::pace::Pace;
use super::sample::Sample;
use super::scan::Scan;
use super::walk::{Root, Walk};
use crate::prove::manifest::{Entry, ManifestError, Time, open_in, read};
use crate::record::{Form, Generation, What};
use crate::system::job_folder::open_below;

/// What is to be done with one copy.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Order {
    Everything,
    Sample {
        files: u64,
        seed: String,
    },
    Slice {
        /// Names up to this one are done.
        after: Option<PathBuf>,
        budget: Option<u64>,
        /// Files that are shared with this copy are left out.
        before: Option<Generation>,
    },
}

/// What came of it.
#[derive(Debug)]
pub struct Checked {
    pub sum: Sum,
    pub ended: Ended,
    /// The last name that is done without a gap before it.
    pub place: Option<PathBuf>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ended {
    /// At the end of the copy.
    Done,
    /// The bytes that were allowed are read.
    Enough,
    /// Told to stop.
    Stopped,
    /// The copy was retired, or a mirror was updated, meanwhile: what was found is no finding.
    Gone,
    /// There is no manifest of it.
    NoManifest,
    /// The name where the last slice ended is not in the manifest any more.
    LostPlace,
}

/// What all copies of one look share.
pub struct Reading<'a> {
    pub pool: &'a ThreadPool,
    pub known: &'a Known,
    pub pace: &'a Pace<'a>,
    /// Is told now and then how far all is done.
    pub tell: &'a (dyn Fn(&Sum, Option<&[u8]>) + Sync),
}

/// Verifies the copy `generation` in `job_folder`.
///
/// # Errors
/// When the folder or the manifest cannot be opened for another reason than that it is gone.
pub fn check_copy(
    job_folder: BorrowedFd,
    generation: &Generation,
    order: &Order,
    reading: &Reading,
) -> io::Result<Checked> {
    let manifest = generation.form.manifest(generation.name);
    let entries = match open_in(job_folder, &manifest) {
        Ok(file) => read(file).ours_only(),
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            let ended = if is_there(job_folder, generation) {
                Ended::NoManifest
            } else {
                Ended::Gone
            };
            return Ok(nothing(ended));
        }
        Err(error) => {
            let words = format!("`{manifest}` cannot be opened: {error}");
            return Ok(unreadable(What::Manifest, words));
        }
    };
    let opened = open_copy(job_folder, generation).and_then(|tree| {
        let identity = identity_of(job_folder, generation, &manifest)?;
        Ok(tree.map(|tree| (tree, identity)))
    });
    let (tree, identity) = match opened {
        Ok(Some(found)) => found,
        Ok(None) => return Ok(nothing(Ended::Gone)),
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(nothing(Ended::Gone)),
        Err(error) => return Ok(unreadable(What::Unreadable, error.to_string())),
    };
    let chosen = choose(job_folder, generation, order)?;
    let root = match generation.form {
        Form::Tree | Form::Current => Root::Copy,
        Form::Tar | Form::SealedTar => Root::JobFolder,
    };
    let name = generation.form.entry(generation.name);
    let wanted = move |entry: &Result<Entry, ManifestError>| {
        root == Root::Copy || !matches!(entry, Ok(entry) if entry.path != name.as_bytes())
    };
    let mut walk =
        Walk::new(entries.filter(wanted), tree, root, chosen).at_rate(reading.pace.rate());
    let mut checked = go_through(&mut walk, reading, order);
    if identity_of(job_folder, generation, &manifest).ok() != Some(identity) {
        checked.ended = Ended::Gone;
    } else if root == Root::JobFolder && checked.ended == Ended::Done && checked.sum.names == 0 {
        let words = format!(
            "it does not tell of `{}`",
            generation.form.entry(generation.name)
        );
        checked.sum.find(b"", What::Manifest, words);
    }
    Ok(checked)
}

fn nothing(ended: Ended) -> Checked {
    Checked {
        sum: Sum::default(),
        ended,
        place: None,
    }
}

/// Of the copy as a whole.
fn unreadable(what: What, words: String) -> Checked {
    let mut checked = nothing(Ended::Done);
    checked.sum.find(b"", what, words);
    checked
}

fn go_through<R>(walk: &mut Walk<R>, reading: &Reading, order: &Order) -> Checked
where
    R: Iterator<Item = Result<Entry, ManifestError>> + Send,
{
    let ledger = Mutex::new(Ledger::default());
    let scan = Scan {
        known: reading.known,
        pace: reading.pace,
    };
    let batches = std::iter::from_fn(|| {
        reading.pace.go_on().ok()?;
        walk.next_batch()
    });
    reading.pool.install(|| {
        // readers take batches from the walk as they come free, so that none lie in memory
        batches.par_bridge().for_each_init(buffer, |buffer, batch| {
            let number = batch.number;
            if let Ok((sum, last)) = scan.batch(batch, buffer) {
                let mut ledger = ledger.lock().unwrap_or_else(PoisonError::into_inner);
                ledger.enter(number, sum, last);
                let (so_far, path) = ledger.so_far();
                (reading.tell)(so_far, path);
            }
        });
    });
    let ledger = ledger.into_inner().unwrap_or_else(PoisonError::into_inner);
    let is_stopped = reading.pace.go_on().is_err();
    let ended = match walk.chosen() {
        _ if is_stopped => Ended::Stopped,
        Chosen::Slice(slice) if slice.has_lost_its_place() => Ended::LostPlace,
        chosen if chosen.is_enough() => Ended::Enough,
        _ => Ended::Done,
    };
    let as_path = |path: Vec<u8>| PathBuf::from(std::ffi::OsString::from_vec(path));
    let (sum, path) = match order {
        // what is done behind a gap is done again by the next slice
        Order::Slice { .. } => ledger.without_gap(),
        Order::Everything | Order::Sample { .. } => (ledger.all(), None),
    };
    Checked {
        sum,
        ended,
        place: path.filter(|path| !path.is_empty()).map(as_path),
    }
}

fn choose(job_folder: BorrowedFd, generation: &Generation, order: &Order) -> io::Result<Chosen> {
    Ok(match order {
        Order::Everything => Chosen::Everything,
        Order::Sample { files, seed } => {
            let at = Time {
                seconds: generation.name.instant().as_second(),
                nanos: 0,
            };
            let mut sample = Sample::new(&format!("{seed} {}", generation.name), at);
            let manifest = generation.form.manifest(generation.name);
            for entry in read(open_in(job_folder, &manifest)?).flatten() {
                sample.count(&entry);
            }
            sample.share_out(*files);
            Chosen::Sample(sample)
        }
        Order::Slice {
            after,
            budget,
            before,
        } => {
            let before = match before {
                Some(before) if before.form == Form::Tree && generation.form == Form::Tree => {
                    // if it cannot be opened, all of this copy is read
                    open_copy(job_folder, before).ok().flatten()
                }
                _ => None,
            };
            Chosen::Slice(Slice::new(after.clone(), *budget, before))
        }
    })
}

/// The root of a copy; the job's folder for an archive. `None` when it is gone.
pub fn open_copy(job_folder: BorrowedFd, generation: &Generation) -> io::Result<Option<OwnedFd>> {
    let opened = match generation.form {
        Form::Tree | Form::Current => {
            let name = generation.form.entry(generation.name);
            open_folder(job_folder, name.as_bytes())
        }
        Form::Tar | Form::SealedTar => open_below(job_folder, Path::new("")),
    };
    match opened {
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        other => other.map(Some),
    }
}

fn is_there(job_folder: BorrowedFd, generation: &Generation) -> bool {
    let name = generation.form.entry(generation.name);
    statat(job_folder, name.as_str(), AtFlags::SYMLINK_NOFOLLOW).is_ok()
}

/// By which it shows that a copy was retired or updated meanwhile: the inode of a dated copy, and that of its manifest, which
/// is written anew with each update of a mirror.
fn identity_of(
    job_folder: BorrowedFd,
    generation: &Generation,
    manifest: &str,
) -> io::Result<[u64; 2]> {
    let inode = |name: &str| statat(job_folder, name, AtFlags::SYMLINK_NOFOLLOW);
    let own = match generation.form {
        // an archive that is missing, or another, is a finding; one that is being removed is gone
        Form::Tar | Form::SealedTar => {
            let removed = format!("{}.partial", generation.form.entry(generation.name));
            inode(&removed).map_or(0, |stat| stat.st_ino)
        }
        Form::Tree | Form::Current => inode(&generation.form.entry(generation.name))?.st_ino,
    };
    Ok([own, inode(manifest)?.st_ino])
}

/// The device of the file system that a job's folder is on.
///
/// # Errors
/// What the system said.
pub fn device_of(job_folder: BorrowedFd) -> io::Result<u64> {
    Ok(look_at_folder(job_folder)?.device)
}
