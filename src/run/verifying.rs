//! The step that re-reads copies and holds them against their manifests.

use std::cmp::Ordering;
use std::os::fd::{AsFd, OwnedFd};
use std::path::PathBuf;
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, Ordering::Relaxed};
use std::time::{Duration, Instant};

use rayon::{ThreadPool, ThreadPoolBuilder};
use tracing::info;

use super::control::Cut;
use super::{Executor, Progress};
use crate::jobs::Name;
use crate::plan::{Extent, Stop, Verify};
use crate::prove::verify::{
    Checked, Ended, FarReading, Known, Order, Pace, Reading, Sum, check_copy, check_far_copy,
    device_of, not_compared,
};
use crate::record::{Generation, Outcome, Place, Proof, ProofKind};
use crate::report::{bytes, counted};
use crate::tools::ssh::SshLine;

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
        let known = Known::of_device(site.device());
        let looks = Looks::new(self);
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
        let pace = Pace::new(verify.rate, &stop, &is_busy, &heard);
        let mut looked = Looked::default();
        let mut turn = Turn::of(&self.plan.job, &verify.extent);
        for (index, copy) in verify.copies.iter().enumerate() {
            let before = index.checked_sub(1).map(|index| &verify.copies[index]);
            if turn.is_done_with(copy) {
                continue;
            }
            let tell = |sum: &Sum, path: Option<&[u8]>| telling.tell(copy, sum, path);
            let check = |order: &Order| {
                site.check(
                    copy,
                    order,
                    &Shared {
                        known: &known,
                        pace: &pace,
                        tell: &tell,
                    },
                )
            };
            info!("{}: begun", copy.form.entry(copy.name));
            let mut checked = check(&turn.order_for(copy, before))?;
            if checked.ended == Ended::LostPlace {
                turn.begin_anew();
                checked = check(&turn.order_for(copy, before))?;
            }
            log(copy, &checked);
            turn.account(copy, &checked);
            looked.copies.push(LookedAt {
                generation: copy.clone(),
                sum: checked.sum,
                ended: checked.ended,
            });
            if turn.is_over {
                break;
            }
        }
        looked.is_through = !turn.is_over;
        looked.place = turn.place;
        let words = words(&looked);
        self.done.looked.push(looked);
        if looks.lost.load(Relaxed) {
            self.still_there()?;
        }
        if self.signal.is_set() {
            let stop = Cut::Signal.stop();
            return Err(Stop {
                reason: format!("told to stop: {words}"),
                advice: Vec::new(),
                ..stop
            });
        }
        Ok(words)
    }
}

/// Where the copies lie.
enum Site<'e> {
    Here {
        folder: OwnedFd,
        device: u64,
        pool: ThreadPool,
    },
    There {
        line: &'e SshLine,
        folder: PathBuf,
    },
}

/// What all copies of one look share.
struct Shared<'a> {
    known: &'a Known,
    pace: &'a Pace<'a>,
    tell: &'a (dyn Fn(&Sum, Option<&[u8]>) + Sync),
}

impl<'e> Executor<'e> {
    fn site(&mut self) -> Result<Site<'e>, Stop> {
        let landing = &self.plan.landing;
        if let Some(line) = landing.ssh() {
            self.done.notes.extend(not_compared(line));
            return Ok(Site::There {
                line,
                folder: landing.path(),
            });
        }
        let folder = self.hands()?.folder();
        let folder = folder.map_err(|error| self.drive_error(&error))?;
        let device = device_of(folder.as_fd()).map_err(|error| self.drive_error(&error))?;
        let pool = pool().map_err(|words| Stop::new(Outcome::Failed, words))?;
        Ok(Site::Here {
            folder,
            device,
            pool,
        })
    }
}

impl Site<'_> {
    /// The device of the copies; another host's is known once it was asked.
    fn device(&self) -> Option<u64> {
        match self {
            Self::Here { device, .. } => Some(*device),
            Self::There { .. } => None,
        }
    }

    fn check(&self, copy: &Generation, order: &Order, shared: &Shared) -> Result<Checked, Stop> {
        let Shared { known, pace, tell } = *shared;
        match self {
            Self::Here { folder, pool, .. } => {
                let reading = Reading {
                    pool,
                    known,
                    pace,
                    tell,
                };
                check_copy(folder.as_fd(), copy, order, &reading)
                    .map_err(|error| Stop::new(Outcome::Failed, error.to_string()))
            }
            Self::There { line, folder } => {
                let reading = FarReading {
                    line,
                    folder,
                    known,
                    pace,
                    tell,
                };
                check_far_copy(copy, order, &reading)
            }
        }
    }
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

/// A pool of our own: the one that all share may be busy with other things.
fn pool() -> Result<ThreadPool, String> {
    let builder = ThreadPoolBuilder::new().thread_name(|index| format!("verify-{index}"));
    builder
        .build()
        .map_err(|error| format!("no threads can be started: {error}"))
}

/// Looks now and then what the readers must know at every piece.
struct Looks<'e> {
    next: Mutex<Instant>,
    lost: AtomicBool,
    busy: AtomicBool,
    signal: &'e super::StopSignal,
    held: Option<&'e crate::system::local_drive::HeldDrive>,
    is_busy: &'e (dyn Fn() -> bool + Sync),
}

impl<'e> Looks<'e> {
    fn new(executor: &Executor<'e>) -> Self {
        Self {
            next: Mutex::new(Instant::now()),
            lost: AtomicBool::new(false),
            busy: AtomicBool::new(false),
            signal: executor.signal,
            held: executor.held,
            is_busy: executor.manner.is_busy,
        }
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
            let is_lost = self.held.is_some_and(|held| !held.is_still_there());
            self.lost.fetch_or(is_lost, Relaxed);
            self.busy.store((self.is_busy)(), Relaxed);
        }
        self.busy.load(Relaxed) && !self.is_over()
    }
}

/// Whose turn it is, and with what is left of the budget.
struct Turn<'v> {
    job: &'v Name,
    extent: &'v Extent,
    budget: Option<u64>,
    place: Option<Place>,
    is_over: bool,
}

impl<'v> Turn<'v> {
    fn of(job: &'v Name, extent: &'v Extent) -> Self {
        let (place, budget) = match extent {
            Extent::Slice { from, budget } => (from.clone(), *budget),
            Extent::Everything | Extent::Sample { .. } => (None, None),
        };
        Self {
            job,
            extent,
            budget,
            place,
            is_over: false,
        }
    }

    /// Whether an earlier slice was through with the copy.
    fn is_done_with(&self, copy: &Generation) -> bool {
        let Some(place) = self.place.as_ref().filter(|place| place.job == *self.job) else {
            return false;
        };
        match place.generation.cmp(&copy.place_name()) {
            Ordering::Less => false,
            Ordering::Equal => place.path.is_none(),
            Ordering::Greater => true,
        }
    }

    /// The name where the last slice ended is gone from the manifest.
    fn begin_anew(&mut self) {
        self.place = None;
    }

    fn order_for(&self, copy: &Generation, before: Option<&Generation>) -> Order {
        let here = |place: &&Place| place.job == *self.job && place.generation == copy.place_name();
        match self.extent {
            Extent::Everything => Order::Everything,
            Extent::Sample { files, seed } => Order::Sample {
                files: *files,
                seed: seed.clone(),
            },
            Extent::Slice { .. } => Order::Slice {
                after: self
                    .place
                    .as_ref()
                    .filter(here)
                    .and_then(|place| place.path.clone()),
                budget: self.budget,
                before: before.cloned(),
            },
        }
    }

    fn account(&mut self, copy: &Generation, checked: &Checked) {
        let place = |path| {
            Some(Place {
                job: self.job.clone(),
                generation: copy.place_name(),
                path,
            })
        };
        match (checked.ended, &checked.place) {
            (Ended::Enough | Ended::Stopped, None) => {}
            (Ended::Enough | Ended::Stopped, Some(path)) => self.place = place(Some(path.clone())),
            _ => self.place = place(None),
        }
        if let Some(budget) = &mut self.budget {
            *budget = budget.saturating_sub(checked.sum.bytes);
        }
        self.is_over =
            matches!(checked.ended, Ended::Enough | Ended::Stopped) || self.budget == Some(0);
    }
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
