//! What is legal and risky all the same: pure rules over job files and facts about the machine.

use std::collections::BTreeSet;

use serde::Serialize;

use crate::jobs::{Config, Drive, DrivePlace, Job, KindName, Name, On, Size, Source, StepSpec};

/// Something that a person should know before relying on the copies.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case", tag = "risk")]
pub enum Risk {
    SameDisk {
        job: Name,
        drive: Name,
        disk: String,
    },
    NetworkMount {
        drive: Name,
        fs_type: String,
    },
    NotAMount {
        drive: Name,
    },
    /// The drive's file system cannot keep all that a copy has.
    PoorFileSystem {
        drive: Name,
        fs_type: String,
    },
    Sleeps {
        drive: Name,
        disk: String,
    },
    SmallCap {
        job: Name,
        cap: Size,
        source: Size,
    },
    /// A source that is suddenly empty, such as a disk that is not mounted, empties the mirror.
    UnguardedMirror {
        job: Name,
    },
    NoSchedule {
        job: Name,
    },
    LeavesStopped {
        job: Name,
        service: String,
    },
    StaysStoppedAfterTrouble {
        job: Name,
        service: String,
    },
}

impl Risk {
    /// What is risky, and what to do, each in a sentence.
    pub fn words(&self) -> (String, String) {
        match self {
            Self::SameDisk { job, drive, disk } => (
                format!("job `{job}`: its source and drive `{drive}` lie on the same physical disk, {disk}"),
                "when that disk dies, both are gone: use a drive on a disk of its own".into(),
            ),
            Self::NetworkMount { drive, fs_type } => (
                format!("drive `{drive}` is a network mount ({fs_type})"),
                "it may hang, and cannot keep owners, ACLs and hard links for certain; use `ssh` for a drive on another host".into(),
            ),
            Self::NotAMount { drive } => (
                format!("drive `{drive}`: nothing is mounted at its path; it is a folder of the file system around it"),
                "mount a disk of its own there, and give that file system's UUID".into(),
            ),
            Self::PoorFileSystem { drive, fs_type } => (
                format!("drive `{drive}` has the file system {fs_type}, which does not keep owners, links or exact times"),
                "a history on it copies everything anew each night: use ext4, xfs or btrfs".into(),
            ),
            Self::Sleeps { drive, disk } => (
                format!("drive `{drive}`: its disk {disk} is set to spin down or sleep"),
                "a sleeping disk delays or breaks a run: switch that off (hdparm -B 254 -S 0, and hdparm.conf)".into(),
            ),
            Self::SmallCap { job, cap, source } => (
                format!("job `{job}`: its cap of {cap} is under twice its source of {source}"),
                "history will not reach back far; common practice is a cap of at least twice the source".into(),
            ),
            Self::UnguardedMirror { job } => (
                format!("job `{job}` is a mirror without a `change_guard`"),
                "a source that is emptied, or whose disk is not mounted, empties the mirror too: set `change_guard`".into(),
            ),
            Self::NoSchedule { job } => (
                format!("job `{job}` has no schedule"),
                "it runs only when somebody asks for it: give it a `schedule`".into(),
            ),
            Self::LeavesStopped { job, service } => (
                format!("job `{job}` stops `{service}` before the copy, and no post step starts it again"),
                "add a `[[post]]` step that starts it, with `on = \"always\"`".into(),
            ),
            Self::StaysStoppedAfterTrouble { job, service } => (
                format!("job `{job}` starts `{service}` again only when all went well"),
                "give that `[[post]]` step `on = \"always\"`".into(),
            ),
        }
    }
}

/// What is known of the machine, as far as risks go by it.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct RiskFacts {
    pub drives: Vec<DriveFacts>,
    pub sources: Vec<SourceFacts>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DriveFacts {
    pub drive: Name,
    /// Kernel names of the whole disks under it.
    pub disks: BTreeSet<String>,
    /// The disks among them that go to sleep by themselves.
    pub sleeping: BTreeSet<String>,
    pub mount: MountFacts,
    pub fs_type: String,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum MountFacts {
    Own,
    /// With its file system type.
    Network(String),
    /// The path is an ordinary folder.
    None,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SourceFacts {
    pub job: Name,
    pub disks: BTreeSet<String>,
    /// Bytes, where they were counted.
    pub size: Option<Size>,
}

/// Every risk of a configuration, drives first, then jobs by name.
pub fn risks(config: &Config, facts: &RiskFacts) -> Vec<Risk> {
    let local = |drive: &&Drive| matches!(drive.place, DrivePlace::Local { .. });
    let drives = config.drives.values().filter(local);
    let mut risks: Vec<Risk> = drives.flat_map(|drive| drive_risks(drive, facts)).collect();
    risks.extend(config.jobs.values().flat_map(|job| job_risks(job, facts)));
    risks
}

/// File systems that lack owners, hard links, extended attributes, or times finer than a second
/// (`mkfs.ext2`'s inodes of 128 bytes; FAT's two seconds): rsync finds every file changed there.
const POOR: [&str; 9] = [
    "exfat", "ext2", "ext3", "fuseblk", "hfsplus", "msdos", "ntfs", "ntfs3", "vfat",
];

fn drive_risks(drive: &Drive, facts: &RiskFacts) -> Vec<Risk> {
    let Some(found) = facts.drives.iter().find(|found| found.drive == drive.name) else {
        return Vec::new();
    };
    let name = || drive.name.clone();
    let mut risks = Vec::new();
    match &found.mount {
        MountFacts::Own => {}
        MountFacts::Network(fs_type) => risks.push(Risk::NetworkMount {
            drive: name(),
            fs_type: fs_type.clone(),
        }),
        MountFacts::None => risks.push(Risk::NotAMount { drive: name() }),
    }
    if POOR.contains(&found.fs_type.as_str()) {
        risks.push(Risk::PoorFileSystem {
            drive: name(),
            fs_type: found.fs_type.clone(),
        });
    }
    risks.extend(found.sleeping.iter().map(|disk| Risk::Sleeps {
        drive: name(),
        disk: disk.clone(),
    }));
    risks
}

fn job_risks(job: &Job, facts: &RiskFacts) -> Vec<Risk> {
    let name = || job.name.clone();
    let mut risks = Vec::new();
    let source = facts.sources.iter().find(|found| found.job == job.name);
    let drive = facts.drives.iter().find(|found| found.drive == job.drive);
    if let (Some(Source::Local(_)), Some(source), Some(drive)) = (&job.source, source, drive) {
        let same = source.disks.intersection(&drive.disks).next();
        risks.extend(same.map(|disk| Risk::SameDisk {
            job: name(),
            drive: job.drive.clone(),
            disk: disk.clone(),
        }));
    }
    if let (Some(cap), Some(source)) = (job.cap, source.and_then(|source| source.size))
        && cap.bytes() < source.bytes().saturating_mul(2)
    {
        risks.push(Risk::SmallCap {
            job: name(),
            cap,
            source,
        });
    }
    if job.kind.name() == KindName::Mirror && job.change_guard.is_none() {
        risks.push(Risk::UnguardedMirror { job: name() });
    }
    if job.schedule.is_none() {
        risks.push(Risk::NoSchedule { job: name() });
    }
    risks.extend(
        job.pre
            .iter()
            .filter_map(|step| stopped(step))
            .filter_map(|service| service_risk(job, service)),
    );
    risks
}

fn service_risk(job: &Job, service: &str) -> Option<Risk> {
    let starts: Vec<&StepSpec> = job
        .post
        .iter()
        .filter(|step| started(step) == Some(service))
        .collect();
    let always = starts.iter().any(|step| step.on == On::Always);
    let both = [On::Success, On::Failure]
        .iter()
        .all(|on| starts.iter().any(|step| step.on == *on));
    if always || both {
        return None;
    }
    let (job, service) = (job.name.clone(), service.to_owned());
    Some(if starts.is_empty() {
        Risk::LeavesStopped { job, service }
    } else {
        Risk::StaysStoppedAfterTrouble { job, service }
    })
}

/// The service that a step stops, where it is one of the usual commands.
fn stopped(step: &StepSpec) -> Option<&str> {
    acted_on(step, &["stop", "pause"])
}

fn started(step: &StepSpec) -> Option<&str> {
    acted_on(step, &["start", "restart", "unpause", "reload-or-restart"])
}

/// `systemctl VERB NAME` (systemctl(1)), `service NAME VERB` (service(8)), `docker VERB NAME`.
fn acted_on<'s>(step: &'s StepSpec, verbs: &[&str]) -> Option<&'s str> {
    let program = step.run.first()?.rsplit('/').next()?;
    let words: Vec<&str> = step.run[1..]
        .iter()
        .map(String::as_str)
        .filter(|word| !word.starts_with('-'))
        .collect();
    match (program, words.as_slice()) {
        ("systemctl" | "docker" | "podman", [verb, name, ..]) if verbs.contains(verb) => {
            Some(name.trim_end_matches(".service"))
        }
        ("service", [name, verb, ..]) if verbs.contains(verb) => Some(name),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn step(words: &[&str], on: On) -> StepSpec {
        StepSpec {
            run: words.iter().map(ToString::to_string).collect(),
            user: None,
            env: std::collections::BTreeMap::new(),
            timeout: None,
            on,
        }
    }

    #[test]
    fn the_usual_ways_to_stop_a_service_are_understood() {
        for words in [
            &["systemctl", "stop", "orders"][..],
            &["/usr/bin/systemctl", "--no-block", "stop", "orders.service"],
            &["service", "orders", "stop"],
            &["docker", "stop", "orders"],
        ] {
            assert_eq!(
                stopped(&step(words, On::Always)),
                Some("orders"),
                "{words:?}"
            );
        }
        assert_eq!(
            stopped(&step(&["systemctl", "start", "orders"], On::Always)),
            None
        );
    }
}
