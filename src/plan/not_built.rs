//! Keys that are read and checked, and that this version does nothing with yet.

use crate::jobs::{Config, Job, Name};

/// A line for each such key that the job files use, with what will not happen.
pub fn not_built(config: &Config) -> Vec<String> {
    let jobs = |uses: fn(&Job) -> bool| -> Vec<&Name> {
        let using = config.jobs.values().filter(|job| uses(job));
        using.map(|job| &job.name).collect()
    };
    let has_digest = config
        .mail
        .as_ref()
        .is_some_and(|mail| mail.digest.is_some());
    let machines = config.machines.keys().collect::<Vec<_>>();
    let lines = [
        line(
            "`rehearse`",
            "job",
            &jobs(|job| job.rehearse.is_some()),
            "nothing is rehearsed",
        ),
        line(
            "`rpo`",
            "job",
            &jobs(|job| job.rpo.is_some()),
            "it is not held against the runs",
        ),
        line(
            "`rto`",
            "job",
            &jobs(|job| job.rto.is_some()),
            "no way back is timed",
        ),
        line(
            "`[machines]`",
            "machine",
            &machines,
            "their landing folders are not watched",
        ),
        has_digest.then(|| "`digest` in `[mail]`: no digest is sent".to_owned()),
    ];
    lines.into_iter().flatten().collect()
}

fn line(key: &str, noun: &str, names: &[&Name], lack: &str) -> Option<String> {
    let listed: Vec<String> = names.iter().map(|name| format!("`{name}`")).collect();
    let plural = if names.len() == 1 { "" } else { "s" };
    (!names.is_empty()).then(|| format!("{key} ({noun}{plural} {}): {lack}", listed.join(", ")))
}
