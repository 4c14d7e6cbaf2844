//! What every kind of job that makes generations has in common: its first and last steps.

use crate::jobs::{Drive, Job};
use crate::plan::{Act, Allowance, CatalogueAct, Check, Facts, Need, Part, Step};

/// A job, with what is known about it.
#[derive(Debug, Clone, Copy)]
pub struct Frame<'a> {
    pub job: &'a Job,
    pub drive: &'a Drive,
    pub facts: &'a Facts,
    pub allowance: Allowance,
}

impl Frame<'_> {
    pub fn make_folder(self) -> Step {
        Step::new(
            Part::Copy,
            "make the job's folder on the drive",
            self.facts.landing.make_folder(),
        )
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

    /// Whole or absent: flushed first, named then, the manifests before what they tell of; listed last.
    pub fn settle(self, partial: &str, name: &str, manifests: &[String]) -> Vec<Step> {
        let landing = &self.facts.landing;
        let mut steps = vec![Step::new(Part::Copy, "flush the drive", landing.flush())];
        steps.extend(self.name_manifests(manifests));
        steps.push(Step::new(
            Part::Copy,
            "give the whole generation its name",
            landing.rename(partial, name),
        ));
        steps.push(Step::new(
            Part::Copy,
            "write it into the catalogue",
            Act::Catalogue(CatalogueAct::Whole),
        ));
        steps
    }

    pub fn name_manifests(self, manifests: &[String]) -> impl Iterator<Item = Step> {
        manifests.iter().map(move |manifest| {
            let partial = format!("{manifest}.partial");
            let words = format!("give `{manifest}` its name");
            let rename = self.facts.landing.rename(&partial, manifest);
            Step::new(Part::Copy, words, rename)
        })
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
