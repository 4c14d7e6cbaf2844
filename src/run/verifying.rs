//! The step that re-reads copies and holds them against their manifests.

use std::path::PathBuf;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering::Relaxed};
use std::time::{Duration, Instant};

use tracing::info;

use super::control::Cut;
use super::site::{Shared, Site};
use super::turn::Turn;
use super::watch::Watch;
use super::{Executor, Progress};
use crate::jobs::Name;
use crate::plan::{Stop, Verify};
use crate::prove::verify::{Checked, Ended, Known, Pace, Sum};
use crate::record::{Generation, Outcome, Place, Proof, ProofKind};
use crate::report::{bytes, counted};

/// How often it is looked whether the drive is still there, and whether others use it.
const GLANCE: Duration = Duration::from_secs(1);

/// What came of a look at copies.
#[derive(Debug, Default)]
pub struct Looked {
    /// Without run and drive, which the step does not know.
    pub copies: Vec<LookedAt>,
    /// How far a slice has come.
    pub place: Option<Place>,
    /// A slice: the end of the last copy was reached.
    pub is_through: bool,
}

/// What came of a look at one copy.
#[derive(Debug)]
pub struct LookedAt {
    pub generation: Generation,
    pub sum: Sum,
    pub ended: Ended,
}

/// Is told how far a slice has come, now and then.
pub type TellPlace<'a> = &'a (dyn Fn(&Place, &Sum) + Sync);

/// How a look is done: who is told of its way, and who may hold it up.
#[derive(Clone, Copy)]
pub struct Manner<'a> {
    pub tell: TellPlace<'a>,
    /// Whether the drive is used by a run that must not be slowed down.
    pub is_busy: &'a (dyn Fn() -> bool + Sync),
}

impl Manner<'_> {
    /// Nobody is told, and nobody holds it up.
    pub const ALONE: Manner<'static> = Manner {
        tell: &|_, _| {},
        is_busy: &|| false,
    };
}

impl Executor<'_> {
    /// Looks at each copy; what is found goes into `done.looked`.
    pub(super) fn verify(&mut self, verify: &Verify) -> Result<String, Stop> {
        let site = self.site()?;
        let looks = Looks::new(self, site.device());
        let telling = Telling {
            progress: self.progress,
            job: &self.plan.job,
            tell: self.manner.tell,
        };
        let (stop, is_busy, heard) = (
            || looks.is_over(),
            || looks.is_held_up(),
            |so_far| telling.progress.bytes(so_far),
        );
        let shared = Shared {
            known: &Known::of_device(site.device()),
            pace: &Pace::new(verify.rate, &stop, &is_busy, &heard),
        };
        let mut looked = Looked::default();
        let ended = look_at_each(verify, &site, shared, &telling, &looks, &mut looked);
        let is_lost = looks.is_lost_now();
        let words = words(&looked);
        self.done.looked.push(looked);
        if is_lost {
            return Err(Watch::new(&self.plan.landing, 0, self.held).lost());
        }
        ended?;
        if self.signal.is_set() {
            return Err(Stop {
                reason: format!("told to stop: {words}"),
                advice: Vec::new(),
                ..Cut::Signal.stop()
            });
        }
        Ok(words)
    }
}

/// # Errors
/// When a copy cannot be looked at; what was seen of those before it is in `looked`.
fn look_at_each(
    verify: &Verify,
    site: &Site,
    shared: Shared,
    telling: &Telling,
    looks: &Looks,
    looked: &mut Looked,
) -> Result<(), Stop> {
    let mut turn = Turn::of(telling.job, &verify.extent);
    for (index, copy) in verify.copies.iter().enumerate() {
        let before = index.checked_sub(1).map(|index| &verify.copies[index]);
        if turn.is_done_with(copy) {
            continue;
        }
        info!("{}: begun", copy.form.entry(copy.name));
        let tell = |sum: &Sum, path: Option<&[u8]>| telling.tell(copy, sum, path);
        let checked = loop {
            let checked = site.check(copy, &turn.order_for(copy, before), shared, &tell)?;
            if !turn.is_to_try_again(copy, &checked) {
                break checked;
            }
        };
        if looks.is_lost_now() {
            // what could not be read any more tells nothing about the copy
            return Ok(());
        }
        log(copy, &checked);
        turn.account(copy, &checked);
        looked.copies.push(LookedAt {
            generation: copy.clone(),
            sum: checked.sum,
            ended: checked.ended,
        });
        looked.place.clone_from(&turn.place);
        if turn.is_over {
            return Ok(());
        }
    }
    looked.is_through = true;
    Ok(())
}

/// Who is told how far it has come, by readers of any thread.
struct Telling<'a> {
    progress: &'a Progress,
    job: &'a Name,
    tell: TellPlace<'a>,
}

impl Telling<'_> {
    fn tell(&self, copy: &Generation, sum: &Sum, path: Option<&[u8]>) {
        use std::os::unix::ffi::OsStrExt;
        self.progress.files(sum.names);
        let Some(path) = path.filter(|path| !path.is_empty()) else {
            return;
        };
        let place = Place {
            job: self.job.clone(),
            generation: copy.place_name(),
            path: Some(PathBuf::from(std::ffi::OsStr::from_bytes(path))),
        };
        (self.tell)(&place, sum);
    }
}

/// Looks now and then what the readers must know at every piece.
struct Looks<'e> {
    next: Mutex<Instant>,
    lost: AtomicBool,
    busy: AtomicBool,
    signal: &'e super::StopSignal,
    held: Option<&'e crate::system::local_drive::HeldDrive>,
    /// Of the disk, where its file system is on one (sysfs(5)).
    disk: Option<PathBuf>,
    is_busy: &'e (dyn Fn() -> bool + Sync),
}

impl<'e> Looks<'e> {
    fn new(executor: &Executor<'e>, device: Option<u64>) -> Self {
        Self {
            next: Mutex::new(Instant::now()),
            lost: AtomicBool::new(false),
            busy: AtomicBool::new(false),
            signal: executor.signal,
            held: executor.held,
            disk: device.map(disk_file).filter(|file| file.exists()),
            is_busy: executor.manner.is_busy,
        }
    }

    /// A disk that was pulled stays mounted, and gives errors for whatever is read.
    fn is_lost(&self) -> bool {
        let is_unmounted = self.held.is_some_and(|held| !held.is_still_there());
        is_unmounted || self.disk.as_ref().is_some_and(|file| !file.exists())
    }

    /// By a look now, whoever looked last.
    fn is_lost_now(&self) -> bool {
        let is_lost = self.lost.load(Relaxed) || self.is_lost();
        self.lost.fetch_or(is_lost, Relaxed);
        is_lost
    }

    fn is_over(&self) -> bool {
        self.signal.is_set() || self.lost.load(Relaxed)
    }

    fn is_held_up(&self) -> bool {
        // whoever comes while another looks goes by what was seen before
        if let Ok(mut next) = self.next.try_lock()
            && *next <= Instant::now()
        {
            *next = Instant::now() + GLANCE;
            let is_lost = self.is_lost();
            self.lost.fetch_or(is_lost, Relaxed);
            self.busy.store((self.is_busy)(), Relaxed);
        }
        self.busy.load(Relaxed) && !self.is_over()
    }
}

/// Where the kernel tells of a block device while it is there.
fn disk_file(device: u64) -> PathBuf {
    let (major, minor) = (rustix::fs::major(device), rustix::fs::minor(device));
    format!("/sys/dev/block/{major}:{minor}").into()
}

fn log(copy: &Generation, checked: &Checked) {
    let Sum {
        names,
        files,
        bytes: read,
        ..
    } = checked.sum;
    let how = match checked.ended {
        Ended::Done => "done",
        Ended::Enough => "enough for this time",
        Ended::Stopped => "stopped",
        Ended::Gone => "retired or updated meanwhile",
        Ended::NoManifest => "there is no manifest",
        Ended::LostPlace => "begun anew",
    };
    info!(
        "{}: {how}: {} looked at, {} of {} read",
        copy.form.entry(copy.name),
        counted(names, "name", "names"),
        bytes(read),
        counted(files, "file", "files")
    );
}

/// What was done, in short.
fn words(looked: &Looked) -> String {
    let mut all = Sum::default();
    for copy in &looked.copies {
        all.names += copy.sum.names;
        all.files += copy.sum.files;
        all.bytes += copy.sum.bytes;
        all.found.add_all(copy.sum.found);
    }
    format!(
        "{} of {} re-read, {} found",
        bytes(all.bytes),
        counted(all.files, "file", "files"),
        all.found.all()
    )
}

/// What a look at one copy is in the record; `None` where there is nothing to tell of it.
pub fn proof_of(looked: LookedAt, kind: ProofKind, frame: &Proof) -> Option<Proof> {
    let outcome = match looked.ended {
        Ended::Gone | Ended::NoManifest | Ended::LostPlace => return None,
        _ if looked.sum.found.all() > 0 => Outcome::Damaged,
        Ended::Stopped => Outcome::Stopped,
        Ended::Done | Ended::Enough => Outcome::Well,
    };
    Some(Proof {
        generation: looked.generation.name,
        kind,
        names: looked.sum.names,
        files: looked.sum.files,
        bytes: looked.sum.bytes,
        outcome,
        cut_short: looked.ended == Ended::Stopped,
        found: looked.sum.found,
        findings: looked.sum.findings,
        ..frame.clone()
    })
}
