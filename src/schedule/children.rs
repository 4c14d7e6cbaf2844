//! The runs that are going on, as child processes.

use std::collections::BTreeMap;
use std::process::{Child, ExitStatus};

use rustix::process::{Pid, Signal, kill_process};

use super::agenda::{Pending, RunningJobs};
use crate::jobs::Name;

#[derive(Debug)]
struct Running {
    child: Child,
    drive: Name,
    pending: Pending,
}

/// A run whose process has ended.
#[derive(Debug)]
pub(super) struct Ended {
    pub job: Name,
    /// What it was started for.
    pub pending: Pending,
    pub status: ExitStatus,
}

/// At most one child for each job.
#[derive(Debug, Default)]
pub(super) struct Children {
    running: BTreeMap<Name, Running>,
}

impl Children {
    pub fn add(&mut self, job: Name, drive: Name, pending: Pending, child: Child) {
        let run = Running {
            child,
            drive,
            pending,
        };
        self.running.insert(job, run);
    }

    pub fn is_empty(&self) -> bool {
        self.running.is_empty()
    }

    pub fn jobs(&self) -> RunningJobs {
        self.running
            .iter()
            .map(|(name, run)| (name.clone(), run.drive.clone()))
            .collect()
    }

    /// Takes out the runs whose process has ended.
    pub fn reap(&mut self) -> Vec<Ended> {
        let mut ended = Vec::new();
        self.running.retain(|name, run| match run.child.try_wait() {
            Ok(Some(status)) => {
                ended.push(Ended {
                    job: name.clone(),
                    pending: run.pending,
                    status,
                });
                false
            }
            Ok(None) => true,
            Err(error) => {
                tracing::warn!("cannot ask after the run of `{name}`: {error}");
                true
            }
        });
        ended
    }

    /// Asks every run to stop cleanly.
    pub fn terminate(&self) {
        for (name, run) in &self.running {
            let pid = i32::try_from(run.child.id()).ok().and_then(Pid::from_raw);
            if let Some(Err(error)) = pid.map(|pid| kill_process(pid, Signal::TERM)) {
                tracing::warn!("cannot stop the run of `{name}`: {error}");
            }
        }
    }
}
