//! What can be judged only once all files are read: names of drives and jobs, circles, and copies beside their source.

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use super::job::ReadJob;
use super::reading::{Findings, nearest};
use super::server_file::ReadServer;
use super::{CloneTarget, DrivePlace, Job, Kind, Mistake, Source};

/// A job file with what was found in it.
pub struct JobFile<'f> {
    pub name: String,
    pub read: ReadJob,
    pub findings: Findings<'f>,
}

/// `all` are the names of all job files, also of those that could not be read.
pub fn check_references(files: &[JobFile<'_>], all: &BTreeSet<String>, server: &ReadServer) {
    for file in files {
        check_drive(file, server);
        check_after(file, files, all);
        if let Some(job) = &file.read.job {
            check_both_remote(file, job, server);
            warn_of_risks(file, job, server);
        }
    }
    check_circles(files);
    check_targets(files);
}

fn check_drive(file: &JobFile<'_>, server: &ReadServer) {
    let (Some(drive), Some(known)) = (&file.read.drive, &server.drive_names) else {
        return;
    };
    if known.contains(&drive.name) {
        return;
    }
    let names: Vec<&str> = known.iter().map(String::as_str).collect();
    let mistake = Mistake::new(format!("unknown drive `{}`", drive.name))
        .nearest(nearest(&drive.name, names.iter().copied()))
        .help(format!(
            "a drive is made by `[drives.{}]` in server.toml",
            shown_name(&drive.name)
        ));
    let mistake = if names.is_empty() {
        mistake
    } else {
        mistake.allowed(names.join(", "))
    };
    file.findings.error(&drive.range, mistake);
}

fn shown_name(text: &str) -> &str {
    if super::Name::parse(text).is_ok() {
        text
    } else {
        "NAME"
    }
}

fn check_after(file: &JobFile<'_>, files: &[JobFile<'_>], all: &BTreeSet<String>) {
    for after in &file.read.after {
        if !all.contains(&after.name) {
            let others: Vec<&str> = all
                .iter()
                .map(String::as_str)
                .filter(|n| *n != file.name)
                .collect();
            let mistake = Mistake::new(format!("unknown job `{}`", after.name))
                .nearest(nearest(&after.name, others.iter().copied()))
                .help("a job is named by its file, without `.toml`");
            let mistake = if others.is_empty() {
                mistake
            } else {
                mistake.allowed(others.join(", "))
            };
            file.findings.error(&after.range, mistake);
            continue;
        }
        let other = files.iter().find(|other| other.name == after.name);
        let unscheduled = other
            .and_then(|o| o.read.job.as_ref())
            .is_some_and(|job| job.schedule.is_none());
        if unscheduled && after.name != file.name {
            let message = format!(
                "`{}` has no `schedule`: this job would wait until someone runs it by hand",
                after.name
            );
            file.findings.warning(&after.range, Mistake::new(message));
        }
    }
}

/// Each circle is told once, in its alphabetically first job.
fn check_circles(files: &[JobFile<'_>]) {
    let by_name: BTreeMap<&str, &JobFile<'_>> =
        files.iter().map(|f| (f.name.as_str(), f)).collect();
    let mut told: BTreeSet<BTreeSet<&str>> = BTreeSet::new();
    for (&start, file) in &by_name {
        let Some(circle) = circle_from(start, &by_name) else {
            continue;
        };
        if !told.insert(circle.iter().copied().collect()) {
            continue;
        }
        let Some(step) = file
            .read
            .after
            .iter()
            .find(|after| Some(&after.name.as_str()) == circle.get(1))
        else {
            continue;
        };
        let mistake = if circle.len() == 2 {
            Mistake::new(format!("`{start}` waits for itself"))
        } else {
            Mistake::new(format!(
                "`after` goes round in a circle: {}",
                circle.join(" -> ")
            ))
        };
        file.findings.error(
            &step.range,
            mistake.help("none of these jobs could ever run: take one `after` out"),
        );
    }
}

/// The shortest way along `after` from a job back to itself, both ends included.
fn circle_from<'n>(
    start: &'n str,
    files: &BTreeMap<&'n str, &'n JobFile<'_>>,
) -> Option<Vec<&'n str>> {
    let mut came_from: BTreeMap<&str, &str> = BTreeMap::new();
    let mut queue = std::collections::VecDeque::from([start]);
    while let Some(name) = queue.pop_front() {
        let Some(file) = files.get(name) else {
            continue;
        };
        for next in file.read.after.iter().map(|after| after.name.as_str()) {
            if next == start {
                let mut way = vec![start, name];
                while let Some(before) = came_from.get(way[way.len() - 1]) {
                    way.push(before);
                }
                way.reverse();
                return Some(way);
            }
            if next != start && !came_from.contains_key(next) {
                came_from.insert(next, name);
                queue.push_back(next);
            }
        }
    }
    None
}

/// "The source and destination cannot both be remote" (rsync(1), DESCRIPTION).
fn check_both_remote(file: &JobFile<'_>, job: &Job, server: &ReadServer) {
    let rsync_copies = matches!(job.kind, Kind::History | Kind::Mirror);
    let place = server.drives.get(&job.drive).map(|drive| &drive.place);
    let both = matches!(
        (place, &job.source),
        (Some(DrivePlace::Ssh { .. }), Some(Source::Ssh { .. }))
    );
    if let (true, true, Some(reference)) = (rsync_copies, both, &file.read.drive) {
        let message = format!(
            "the source and the drive `{}` are both on other hosts",
            job.drive
        );
        let mistake = Mistake::new(message)
            .allowed("a drive of this server, or a source on this server")
            .help("copy to a drive of this server first, and from there to the other host");
        file.findings.error(&reference.range, mistake);
    }
}

/// Two clones onto one disk or image would overwrite each other.
fn check_targets(files: &[JobFile<'_>]) {
    let mut seen: Vec<(&Job, &CloneTarget)> = Vec::new();
    for file in files {
        let Some(job) = &file.read.job else { continue };
        let Kind::Clone { target } = &job.kind else {
            continue;
        };
        let clash = seen
            .iter()
            .find(|(other, other_target)| match (target, other_target) {
                (CloneTarget::Disk(a), CloneTarget::Disk(b)) => a == b,
                (CloneTarget::Image { file: a, .. }, CloneTarget::Image { file: b, .. }) => {
                    a == b && job.drive == other.drive
                }
                _ => false,
            });
        if let (Some((other, _)), Some(drive)) = (clash, &file.read.drive) {
            let message = format!(
                "`{}` and `{}` clone onto the same target",
                other.name, job.name
            );
            file.findings.error(
                &drive.range,
                Mistake::new(message).help("each would overwrite the other"),
            );
        }
        seen.push((job, target));
    }
}

fn warn_of_risks(file: &JobFile<'_>, job: &Job, server: &ReadServer) {
    let Some(reference) = &file.read.drive else {
        return;
    };
    let drive = server.drives.get(&job.drive);
    let (Some(DrivePlace::Local { path, .. }), Some(Source::Local(sources))) =
        (drive.map(|drive| &drive.place), &job.source)
    else {
        return;
    };
    if let Some(mistake) = sources
        .iter()
        .find_map(|source| beside_source(source, path, &job.drive))
    {
        file.findings.warning(&reference.range, mistake);
    }
}

fn beside_source(source: &Path, drive: &Path, name: &super::Name) -> Option<Mistake> {
    let shown = source.display();
    if source.starts_with(drive) {
        return Some(
            Mistake::new(format!(
                "`{shown}` lies on the drive `{name}` itself: one broken disk takes both"
            ))
            .help("name another drive"),
        );
    }
    drive.starts_with(source).then(|| {
        Mistake::new(format!(
            "the drive `{name}` lies within the source `{shown}`"
        ))
        .help(format!(
            "exclude it, so that copies are not copied: exclude = [\"{}/\"]",
            drive.display()
        ))
    })
}
