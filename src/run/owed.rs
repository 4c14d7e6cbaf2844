//! Post steps that are owed once a pre step has begun: written down first, so that a service stopped for
//! a copy is started again even after a power cut.

use std::collections::BTreeMap;
use std::ffi::OsString;
use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use serde::{Deserialize, Serialize};

use crate::jobs::{Name, On};
use crate::plan::{Act, Argv, Part, Pipeline, Step};
use crate::record::Task;

/// The post steps of one run, as they must be run should the run be cut short.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Owed {
    pub job: Name,
    pub run: String,
    /// What the run was for: what a load owes is owed until it is done.
    #[serde(default)]
    pub task: Task,
    steps: Vec<OwedStep>,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct OwedStep {
    /// Bytes, since an argument may be anything.
    argv: Vec<Vec<u8>>,
    env: Vec<(Vec<u8>, Vec<u8>)>,
    timeout_seconds: Option<u64>,
}

impl Owed {
    /// What is owed after a run that was cut short: post steps `on = "always"` and `"failure"`.
    pub fn of(job: &Name, (run, task): (&str, Task), steps: &[Step]) -> Option<Self> {
        let owed = steps
            .iter()
            .filter(|step| step.part == Part::Post && step.on != On::Success)
            .filter(|step| !is_look(step));
        let steps: Vec<OwedStep> = owed.filter_map(OwedStep::of).collect();
        (!steps.is_empty()).then(|| Self {
            job: job.clone(),
            run: run.to_owned(),
            task,
            steps,
        })
    }

    pub fn steps(&self) -> Vec<Step> {
        self.steps.iter().filter_map(OwedStep::step).collect()
    }

    /// Writes it down, flushed to the disk.
    ///
    /// # Errors
    /// When the state folder cannot be written; the pre steps must then not be run.
    pub fn write(&self, state_dir: &Path) -> io::Result<()> {
        let folder = state_dir.join("owed");
        fs::create_dir_all(&folder)?;
        let (path, new) = (
            file(state_dir, &self.job),
            folder.join(format!(".{}.new", self.job)),
        );
        // the job file, which may hold secrets in `env`, is not for everybody either
        let mut out = OpenOptions::new()
            .write(true)
            .create(true)
            .truncate(true)
            .mode(0o600)
            .open(&new)?;
        out.write_all(&serde_json::to_vec(self)?)?;
        out.sync_all()?;
        fs::rename(&new, &path)?;
        File::open(&folder)?.sync_all()
    }

    /// What the last run of a job left owed.
    pub fn read(state_dir: &Path, job: &Name) -> Option<Self> {
        serde_json::from_slice(&fs::read(file(state_dir, job)).ok()?).ok()
    }
}

/// Everything owed on this server.
pub fn all(state_dir: &Path) -> Vec<Owed> {
    let Ok(entries) = fs::read_dir(state_dir.join("owed")) else {
        return Vec::new();
    };
    let read = |path: PathBuf| serde_json::from_slice(&fs::read(path).ok()?).ok();
    entries
        .flatten()
        .filter(|entry| entry.path().extension().is_some_and(|end| end == "json"))
        .filter_map(|entry| read(entry.path()))
        .collect()
}

/// Strikes it off, once the post steps ran.
///
/// # Errors
/// When the file cannot be removed.
pub fn settle(state_dir: &Path, job: &Name) -> io::Result<()> {
    match fs::remove_file(file(state_dir, job)) {
        Ok(()) => File::open(state_dir.join("owed"))?.sync_all(),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
        Err(error) => Err(error),
    }
}

fn file(state_dir: &Path, job: &Name) -> PathBuf {
    state_dir.join("owed").join(format!("{job}.json"))
}

/// Those that are tried again and again only wait for something.
fn is_look(step: &Step) -> bool {
    matches!(&step.act, Act::Tool(pipeline) if !pipeline.retries.is_empty())
}

impl OwedStep {
    fn of(step: &Step) -> Option<Self> {
        let Act::Tool(pipeline) = &step.act else {
            return None;
        };
        let argv = pipeline.stages.first()?;
        let words = std::iter::once(&argv.program).chain(&argv.args);
        Some(Self {
            argv: words.map(|word| word.as_bytes().to_vec()).collect(),
            env: argv
                .env
                .iter()
                .map(|(name, value)| (name.as_bytes().to_vec(), value.as_bytes().to_vec()))
                .collect(),
            timeout_seconds: step.timeout.map(|limit| limit.as_secs()),
        })
    }

    fn step(&self) -> Option<Step> {
        let mut words = self
            .argv
            .iter()
            .map(|word| OsString::from_vec(word.clone()));
        let mut argv = Argv::new(words.next()?).args(words);
        let pairs = self.env.iter().map(|(name, value)| {
            (
                OsString::from_vec(name.clone()),
                OsString::from_vec(value.clone()),
            )
        });
        argv.env = pairs.collect::<BTreeMap<_, _>>();
        Some(Step {
            words: "post step owed by a run that was cut short".to_owned(),
            part: Part::Post,
            on: On::Always,
            timeout: self.timeout_seconds.map(Duration::from_secs),
            act: Act::Tool(Pipeline::plain(argv)),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt;

    #[test]
    fn what_a_step_finds_in_its_environment_is_kept_from_others() {
        let folder = tempfile::tempdir().unwrap();
        let owed = Owed {
            job: Name::parse("orders").unwrap(),
            run: "20261125T023000Z-orders".to_owned(),
            task: Task::Copy,
            steps: Vec::new(),
        };
        owed.write(folder.path()).unwrap();
        let found = fs::metadata(file(folder.path(), &owed.job)).unwrap();
        assert_eq!(found.permissions().mode() & 0o777, 0o600);
        assert_eq!(Owed::read(folder.path(), &owed.job), Some(owed));
    }
}
