//! One lock per job and one per drive, by flock(2): gone with the process that held it.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Seek, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

use rustix::fs::{FlockOperation, flock};

use crate::jobs::{Drive, DrivePlace, Engine, Job, Kind, Name};
use crate::record::{RunRecord, Task};

/// A lock that is held until dropped.
#[derive(Debug)]
pub struct Lock {
    _file: File,
}

#[derive(Debug)]
pub enum LockError {
    /// Somebody else has it: in whose words.
    Held {
        what: String,
        by: String,
    },
    Io {
        path: PathBuf,
        source: io::Error,
    },
}

impl std::fmt::Display for LockError {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Held { what, by } => write!(f, "{what} is in use by {by}"),
            Self::Io { path, source } => write!(f, "cannot lock `{}`: {source}", path.display()),
        }
    }
}

/// # Errors
/// [`LockError::Held`] when another process has it.
pub fn lock_job(state_dir: &Path, job: &Name, doing: &str) -> Result<Lock, LockError> {
    take(
        state_dir,
        &format!("job-{job}"),
        &format!("job `{job}`"),
        doing,
    )
}

/// The drive, for a run of a job. The same drive under two names in the job files is one drive.
///
/// # Errors
/// [`LockError::Held`] when another process has it.
pub fn lock_drive(state_dir: &Path, drive: &Drive, job: &Name) -> Result<Lock, LockError> {
    let what = format!("drive `{}`", drive.name);
    let doing = format!("a run of `{job}`");
    take(state_dir, &drive_file(drive), &what, &doing)
}

fn drive_file(drive: &Drive) -> String {
    let identity = match &drive.place {
        DrivePlace::Local { uuid, .. } => uuid.to_ascii_lowercase(),
        DrivePlace::Ssh { host, path } => format!("{}-{}-{}", host.host, host.port, path.display()),
    };
    format!("drive-{}", safe(&identity))
}

/// A look at copies of a job. A run of the job goes on meanwhile.
///
/// # Errors
/// [`LockError::Held`] when another process looks at them.
pub fn lock_verify(state_dir: &Path, job: &Name) -> Result<Lock, LockError> {
    let what = format!("looking at the copies of `{job}`");
    let file = format!("verify-{job}");
    take(state_dir, &file, &what, &format!("`hayloft verify {job}`"))
}

/// The re-reading of a drive, a part at a time.
///
/// # Errors
/// [`LockError::Held`] when another process does it.
pub fn lock_slice(state_dir: &Path, drive: &Name) -> Result<Lock, LockError> {
    let what = format!("re-reading drive `{drive}`");
    let file = format!("slice-{drive}");
    take(state_dir, &file, &what, "`hayloft verify --slice`")
}

/// The service that a job exports, while it is changed. Whoever exports it shares it with others who do.
///
/// # Errors
/// [`LockError::Held`] when another process has it.
pub fn lock_service_of(
    state_dir: &Path,
    job: &Job,
    sharing: Sharing,
) -> Result<Option<Lock>, LockError> {
    let Some(service) = service_file(&job.kind) else {
        return Ok(None);
    };
    let what = format!("the service of job `{}`", job.name);
    let doing = format!(
        "another job that loads or exports it, at work with `{}`",
        job.name
    );
    take_as(state_dir, &service, (&what, &doing), sharing).map(Some)
}

/// Whether others may hold a lock at the same time.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Sharing {
    Alone,
    WithOthers,
}

/// One service is one, however many jobs export it.
fn service_file(kind: &Kind) -> Option<String> {
    let name = match kind {
        Kind::Directory(directory) => format!("slapd-{}", directory.config.display()),
        Kind::Database {
            engine: Engine::Sqlite { file },
            ..
        } => format!("sqlite-{}", file.display()),
        Kind::Database {
            engine: Engine::Postgresql(server),
            ..
        } => format!("postgresql-{}-{}", server.socket.display(), server.port),
        Kind::Database {
            engine: Engine::Mariadb(server),
            ..
        } => format!("mariadb-{}", server.socket.display()),
        _ => return None,
    };
    Some(format!("service-{}", safe(&name)))
}

fn safe(text: &str) -> String {
    let plain = |c: char| if c.is_ascii_alphanumeric() { c } else { '-' };
    text.chars().map(plain).collect()
}

/// A rehearsal of a job. A run of the job goes on meanwhile.
///
/// # Errors
/// [`LockError::Held`] when another process rehearses it.
pub fn lock_rehearse(state_dir: &Path, job: &Name) -> Result<Lock, LockError> {
    let what = format!("rehearsing `{job}`");
    let doing = format!("`hayloft rehearse {job}`");
    take(state_dir, &rehearse_file(job), &what, &doing)
}

fn rehearse_file(job: &Name) -> String {
    format!("rehearse-{job}")
}

/// The service is one of its kind on a server.
///
/// # Errors
/// [`LockError::Held`] when it is running already.
pub fn lock_service(state_dir: &Path) -> Result<Lock, LockError> {
    take(state_dir, "serve", "the service", "`hayloft serve`")
}

/// Whether a run of the job is going on, in any process.
pub fn is_running(state_dir: &Path, job: &Name) -> bool {
    is_held(state_dir, &format!("job-{job}"))
}

/// Whether the process that began a run is still at work.
pub fn is_at_work(state_dir: &Path, run: &RunRecord) -> bool {
    match run.task {
        Task::Copy | Task::Load => is_running(state_dir, &run.job),
        Task::Verify => is_held(state_dir, &format!("verify-{}", run.job)),
        Task::Slice => is_held(state_dir, &format!("slice-{}", run.drive)),
        Task::Rehearse => is_held(state_dir, &rehearse_file(&run.job)),
    }
}

/// Whether a run works on the drive now, in any process.
pub fn is_in_use(state_dir: &Path, drive: &Drive) -> bool {
    is_held(state_dir, &drive_file(drive))
}

/// What the service does, in words.
pub fn service_words(state_dir: &Path) -> String {
    if is_held(state_dir, "serve") {
        "running"
    } else {
        "not running"
    }
    .to_owned()
}

/// Looks without taking: a shared lock is refused while somebody works.
fn is_held(state_dir: &Path, file: &str) -> bool {
    let path = state_dir.join("locks").join(format!("{file}.lock"));
    File::open(path).is_ok_and(|file| flock(&file, FlockOperation::NonBlockingLockShared).is_err())
}

/// Tries for a moment: whoever only looks whether it is held, holds it for that instant.
fn lock_soon(file: &File, how: FlockOperation) -> bool {
    for _ in 0..10 {
        if flock(file, how).is_ok() {
            return true;
        }
        std::thread::sleep(Duration::from_millis(15));
    }
    false
}

fn take(state_dir: &Path, file: &str, what: &str, doing: &str) -> Result<Lock, LockError> {
    take_as(state_dir, file, (what, doing), Sharing::Alone)
}

fn take_as(
    state_dir: &Path,
    file: &str,
    (what, doing): (&str, &str),
    sharing: Sharing,
) -> Result<Lock, LockError> {
    let folder = state_dir.join("locks");
    let path = folder.join(format!("{file}.lock"));
    let failed = |source| LockError::Io {
        path: path.clone(),
        source,
    };
    fs::create_dir_all(&folder).map_err(failed)?;
    let open = OpenOptions::new()
        .read(true)
        .write(true)
        .create(true)
        .truncate(false)
        .open(&path);
    let mut file = open.map_err(failed)?;
    let how = match sharing {
        Sharing::Alone => FlockOperation::NonBlockingLockExclusive,
        Sharing::WithOthers => FlockOperation::NonBlockingLockShared,
    };
    if !lock_soon(&file, how) {
        let mut by = String::new();
        let _ = file.read_to_string(&mut by);
        return Err(LockError::Held {
            what: what.to_owned(),
            by: if by.trim().is_empty() {
                "another process".to_owned()
            } else {
                by.trim().to_owned()
            },
        });
    }
    let words = format!("{doing} (process {})\n", std::process::id());
    file.set_len(0)
        .and_then(|()| file.rewind())
        .and_then(|()| file.write_all(words.as_bytes()))
        .map_err(failed)?;
    Ok(Lock { _file: file })
}
