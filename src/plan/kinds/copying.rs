//! What the kinds that copy files have in common: their first and last steps.

use std::time::Duration;

use crate::jobs::{Drive, Job, Source};
use crate::plan::{
    Act, Allowance, Argv, CatalogueAct, Check, Facts, Need, Part, Pipeline, Reading, Step,
};
use crate::tools::rsync::What;
use crate::tools::ssh::SshLine;

/// Seconds between tries of what crosses a network: a hiccup is over soon, a restarted router is not.
const WAITS: [u64; 4] = [2, 10, 30, 60];

/// A job that copies `source`, with what is known about it.
#[derive(Debug, Clone, Copy)]
pub struct Copying<'a> {
    pub job: &'a Job,
    pub source: &'a Source,
    pub drive: &'a Drive,
    pub facts: &'a Facts,
    pub allowance: Allowance,
}

impl<'a> Copying<'a> {
    pub fn source_line(self) -> Option<SshLine> {
        match self.source {
            Source::Local(_) => None,
            Source::Ssh { host, .. } => Some(SshLine::new(host, &self.facts.known_hosts)),
        }
    }

    pub fn what(self, source_line: Option<&'a SshLine>) -> What<'a> {
        What {
            source: self.source,
            source_line,
            exclude: &self.job.exclude,
            hidden: &self.facts.hidden,
        }
    }

    pub fn make_folder(self) -> Step {
        Step::new(
            Part::Copy,
            "make the job's folder on the drive",
            self.facts.landing.make_folder(),
        )
    }

    pub fn measure(self, words: &str, argv: Argv, reading: Reading) -> Step {
        Step::new(Part::Measure, words, self.rsync(argv, reading))
    }

    pub fn check(self, need: Need) -> Step {
        let check = Check {
            guard: match self.allowance {
                Allowance::Usual => self.job.change_guard,
                Allowance::AcceptChanges => None,
            },
            need,
            reserve: self.drive.reserve.bytes(),
            give_up: self.remove_leftovers(&self.facts.leftovers),
        };
        Step::new(
            Part::Copy,
            "check the change guard and the room on the drive",
            Act::Check(check),
        )
    }

    /// An rsync, tried again where the work crosses a network.
    pub fn rsync(self, argv: Argv, reading: Reading) -> Act {
        let remote =
            matches!(self.source, Source::Ssh { .. }) || self.facts.landing.ssh().is_some();
        let waits: &[u64] = if remote { &WAITS } else { &[] };
        let retries = waits
            .iter()
            .map(|seconds| Duration::from_secs(*seconds))
            .collect();
        Act::Tool(Pipeline::plain(argv).reading(reading).retrying(retries))
    }

    /// Whole or absent: flushed first, named then, listed last.
    pub fn settle(self, partial: &str, name: &str) -> [Step; 3] {
        let landing = &self.facts.landing;
        [
            Step::new(Part::Copy, "flush the drive", landing.flush()),
            Step::new(
                Part::Copy,
                "give the whole generation its name",
                landing.rename(partial, name),
            ),
            Step::new(
                Part::Copy,
                "write it into the catalogue",
                Act::Catalogue(CatalogueAct::Whole),
            ),
        ]
    }

    pub fn remove_leftovers(self, leftovers: &[String]) -> Vec<Step> {
        let step = |leftover: &String| {
            let words = format!("remove `{leftover}`, left by a run that was cut short");
            let landing = &self.facts.landing;
            let act = if self.facts.subvolumes.contains(leftover) {
                landing.remove_subvolume(leftover)
            } else {
                landing.remove(leftover)
            };
            Step::new(Part::Copy, words, act)
        };
        leftovers.iter().map(step).collect()
    }
}
