//! Gathers the facts for one job's plan.

use std::path::Path;

use jiff::Timestamp;

use super::job_folder::{self, Listing};
use super::local_drive::{self, HeldDrive, Purpose};
use super::subvolumes::subvolumes;
use super::{accounts, programs, remote_drive, service, source, source_indexes};
use crate::jobs::{Config, Drive, DrivePlace, Job, Kind, Name, Source};
use crate::plan::{DriveState, Facts, FileSystem, Landing, ServiceFacts, SourceState, Space, Stop};
use crate::record::{Generation, Outcome};

/// The facts, and the hold on a local drive.
#[derive(Debug)]
pub struct Gathered {
    pub facts: Facts,
    pub held: Option<HeldDrive>,
}

/// What is asked for.
#[derive(Debug, Clone, Copy)]
pub struct Asked<'a> {
    pub server: &'a Name,
    pub job: &'a Job,
    pub drive: &'a Drive,
    pub known_hosts: &'a Path,
    pub state_dir: &'a Path,
    pub now: Timestamp,
}

impl<'a> Asked<'a> {
    pub fn of(config: &'a Config, job: &'a Job, known_hosts: &'a Path, now: Timestamp) -> Self {
        Self {
            server: &config.server.name,
            job,
            drive: config.drive_of(job),
            known_hosts,
            state_dir: &config.server.state_dir,
            now,
        }
    }
}

/// Looks at the drive, the source and the programs. `account_for` turns what lies in the job's folder
/// into the generations that count, newest first, and the leftovers of killed runs; it is given `None`
/// when the drive cannot be looked at.
pub fn gather(
    asked: Asked,
    account_for: impl FnOnce(Option<&Listing>) -> (Vec<Generation>, Vec<String>),
) -> Gathered {
    gather_for(asked, Purpose::Writing, account_for)
}

/// As [`gather`], for a restore: a drive that is mounted read-only will do, and the source is not asked for.
pub fn gather_for_reading(
    asked: Asked,
    account_for: impl FnOnce(Option<&Listing>) -> (Vec<Generation>, Vec<String>),
) -> Gathered {
    gather_for(asked, Purpose::Reading, account_for)
}

fn gather_for(
    asked: Asked,
    purpose: Purpose,
    account_for: impl FnOnce(Option<&Listing>) -> (Vec<Generation>, Vec<String>),
) -> Gathered {
    let landing = Landing::new(
        asked.drive,
        asked.server,
        &asked.job.name,
        asked.known_hosts,
    );
    let (drive, held, listing) = match look_at_drive(asked.drive, &landing, purpose) {
        Ok((space, held, listing)) => (DriveState::Ready(space), held, Some(listing)),
        Err(stop) => (DriveState::NotReady(stop), None, None),
    };
    let source = match purpose {
        Purpose::Writing => source::look(asked.job, asked.known_hosts),
        Purpose::Reading => SourceState::Readable,
    };
    let (service, source) = match purpose {
        Purpose::Reading => (ServiceFacts::None, source),
        Purpose::Writing => match service::look(&asked.job.kind) {
            Ok(service) => (service, source),
            Err(stop) => (ServiceFacts::None, SourceState::Missing(stop)),
        },
    };
    let hidden = match (purpose, &source) {
        (Purpose::Writing, SourceState::Readable) => {
            source::hidden(asked.job, &landing, asked.known_hosts)
        }
        _ => Vec::new(),
    };
    let subvolumes = held
        .as_ref()
        .map(|held| subvolumes(held.root(), &landing.folder));
    let indexes = source_indexes::folder(asked.state_dir, &asked.drive.name, &asked.job.name);
    let manifests = listing.as_ref().map_or_else(Vec::new, Listing::manifests);
    let (generations, leftovers) = account_for(listing.as_ref());
    let fresh =
        |held: &HeldDrive| job_folder::made_since_start(held.root(), &landing.folder, &leftovers);
    let facts = Facts {
        now: asked.now,
        server: asked.server.clone(),
        drive,
        source,
        service,
        fresh_leftovers: held.as_ref().map_or_else(Vec::new, fresh),
        file_system: held.as_ref().and_then(file_system),
        manifests,
        indexed: source_indexes::list(&indexes),
        indexes,
        generations,
        leftovers,
        // those that cannot be told are removed like folders
        subvolumes: subvolumes.and_then(Result::ok).unwrap_or_default(),
        hidden,
        accounts: accounts::of_steps(asked.job),
        missing_programs: missing_programs(asked.job, asked.drive),
        known_hosts: asked.known_hosts.to_owned(),
        own_program: std::env::current_exe().unwrap_or_else(|_| "hayloft".into()),
        landing,
    };
    Gathered { facts, held }
}

fn file_system(held: &HeldDrive) -> Option<FileSystem> {
    Some(FileSystem {
        kind: held.file_system()?,
        has_btrfs_program: programs::missing(&["btrfs"]).is_empty(),
    })
}

fn look_at_drive(
    drive: &Drive,
    landing: &Landing,
    purpose: Purpose,
) -> Result<(Space, Option<HeldDrive>, Listing), Stop> {
    match (&drive.place, landing.ssh()) {
        (DrivePlace::Ssh { path, .. }, Some(line)) => {
            let space = remote_drive::probe(&drive.name, line, path, purpose)?;
            Ok((space, None, job_folder::list_remote(line, &landing.path())?))
        }
        (DrivePlace::Local { path, uuid }, _) => {
            let unreadable = |error: std::io::Error| {
                Stop::new(
                    Outcome::Failed,
                    format!(
                        "cannot read drive `{}` at `{}`: {error}",
                        drive.name,
                        path.display()
                    ),
                )
            };
            let held = local_drive::hold(&drive.name, path, uuid, purpose)?;
            let space = held.space().map_err(unreadable)?;
            let listing =
                job_folder::list_local(held.root(), &landing.folder).map_err(unreadable)?;
            Ok((space, Some(held), listing))
        }
        (DrivePlace::Ssh { .. }, None) => {
            let reason = format!(
                "drive `{}` is on another host, but no way to it is known",
                drive.name
            );
            Err(Stop::new(Outcome::Failed, reason))
        }
    }
}

fn missing_programs(job: &Job, drive: &Drive) -> Vec<String> {
    let mut wanted = vec!["rsync"];
    match job.kind {
        Kind::Archive { .. } => wanted.extend(["tar", "zstd"]),
        Kind::Directory(_) => wanted.extend(["slapcat", "setpriv", "zstd"]),
        Kind::History | Kind::Mirror | Kind::Clone { .. } => {}
        Kind::Database { .. } => wanted.extend(["setpriv", "unshare", "zstd"]),
        Kind::Settings { .. } => wanted.extend(["tar", "zstd"]),
    }
    if matches!(drive.place, DrivePlace::Ssh { .. })
        || matches!(job.source, Some(Source::Ssh { .. }))
    {
        wanted.push("ssh");
    }
    let users = job
        .pre
        .iter()
        .chain(&job.post)
        .any(|step| step.user.is_some());
    if users && !wanted.contains(&"setpriv") {
        wanted.push("setpriv");
    }
    programs::missing(&wanted)
        .into_iter()
        .map(ToOwned::to_owned)
        .collect()
}
