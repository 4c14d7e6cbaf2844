//! Looks at disks, mounts and accounts for the risks that go by them.

use std::collections::BTreeSet;
use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use super::block_device::{Disk, disks_under, may_suspend};
use super::local_drive::{self, Purpose};
use super::mounts::{Mount, Mounts, device_file, real_path};
use super::{ask, programs};
use crate::jobs::{Config, Drive, DrivePlace, Job, Size, Source};
use crate::plan::{DriveFacts, MountFacts, RiskFacts, SourceFacts};
use crate::tools::hdparm;

pub fn risk_facts(config: &Config) -> RiskFacts {
    let mounts = Mounts::read().unwrap_or_default();
    RiskFacts {
        drives: config
            .drives
            .values()
            .filter_map(|drive| drive_facts(drive, &mounts))
            .collect(),
        sources: config
            .jobs
            .values()
            .filter_map(|job| source_facts(job, &mounts))
            .collect(),
    }
}

fn drive_facts(drive: &Drive, mounts: &Mounts) -> Option<DriveFacts> {
    let DrivePlace::Local { path, uuid } = &drive.place else {
        return None;
    };
    let is_network = mounts
        .holding(&real_path(path))
        .is_some_and(Mount::is_network);
    // a drive that is not there is told as such, and what is at its path instead does not matter
    if !is_network && local_drive::hold(&drive.name, path, uuid, Purpose::Reading).is_err() {
        return None;
    }
    let path = real_path(path);
    let mount = mounts.holding(&path)?;
    let disks = disks_of(&path, mounts);
    let conf = fs::read_to_string("/etc/hdparm.conf").unwrap_or_default();
    let configured: BTreeSet<PathBuf> = hdparm::configured_to_sleep(&conf)
        .iter()
        .map(|device| real_path(Path::new(device)))
        .collect();
    let sleeps = |disk: &&Disk| {
        configured.contains(&disk.device()) || may_suspend(disk) || permits_spin_down(disk)
    };
    Some(DriveFacts {
        drive: drive.name.clone(),
        sleeping: disks
            .iter()
            .filter(sleeps)
            .map(|disk| disk.name.clone())
            .collect(),
        disks: disks.iter().map(|disk| disk.name.clone()).collect(),
        fs_type: mount.fs_type.clone(),
        mount: if mount.is_network() {
            MountFacts::Network(mount.fs_type.clone())
        } else if mount.point == path {
            MountFacts::Own
        } else {
            MountFacts::None
        },
    })
}

/// What the disk itself says of its power management, where hdparm is there to ask it.
fn permits_spin_down(disk: &Disk) -> bool {
    if !programs::missing(&["hdparm"]).is_empty() {
        return false;
    }
    let answer = ask(
        &hdparm::power_level(&disk.device()),
        Duration::from_secs(10),
    );
    answer.is_ok_and(|answer| hdparm::permits_spin_down(&answer.text()) == Some(true))
}

fn disks_of(path: &Path, mounts: &Mounts) -> Vec<Disk> {
    let device = mounts
        .holding(path)
        .and_then(|mount| device_file(&mount.source));
    device
        .and_then(|device| disks_under(device).ok())
        .unwrap_or_default()
}

fn source_facts(job: &Job, mounts: &Mounts) -> Option<SourceFacts> {
    let Source::Local(paths) = job.source.as_ref()? else {
        return None;
    };
    let disks = paths
        .iter()
        .flat_map(|path| disks_of(&real_path(path), mounts));
    let size = job
        .cap
        .map(|_| paths.iter().map(|path| length_of(path)).sum());
    Some(SourceFacts {
        job: job.name.clone(),
        disks: disks.map(|disk| disk.name).collect(),
        size: size.map(Size),
    })
}

/// The length of everything under a path; files with several names count once. What cannot be read counts as nothing.
fn length_of(path: &Path) -> u64 {
    let mut seen = BTreeSet::new();
    let mut total = 0;
    let mut waiting = vec![path.to_owned()];
    while let Some(path) = waiting.pop() {
        let Ok(found) = fs::symlink_metadata(&path) else {
            continue;
        };
        if found.is_dir() {
            let entries = fs::read_dir(&path).into_iter().flatten().flatten();
            waiting.extend(entries.map(|entry| entry.path()));
        } else if found.nlink() == 1 || seen.insert((found.dev(), found.ino())) {
            total += found.len();
        }
    }
    total
}
