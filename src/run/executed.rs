//! What came of the steps so far, and what that forbids the next.

use std::path::Path;

use crate::plan::Stop;
use crate::record::{Changes, Outcome, StepRecord};
use crate::tools::rsync_output::{Item, What};

/// What came of the steps.
#[derive(Debug, Default)]
pub struct Executed {
    /// The first thing that went wrong.
    pub stop: Option<Stop>,
    pub notes: Vec<String>,
    pub changes: Option<Changes>,
    /// The first names that differ.
    pub first: Vec<Item>,
    pub steps: Vec<StepRecord>,
}

impl Executed {
    /// Nothing that is at the target and differs may be lost.
    pub fn refuse_existing(&self, target: &Path) -> Result<String, Stop> {
        let differing = self.changes.map_or(0, |changes| changes.changed);
        if differing == 0 {
            return Ok("nothing there differs".to_owned());
        }
        let there = self.first.iter().filter(|item| item.what != What::Created);
        let names: Vec<String> = there
            .take(3)
            .map(|item| format!("`{}`", item.name))
            .collect();
        let reason = format!(
            "{differing} files are below `{}` already and differ, such as {}",
            target.display(),
            names.join(", ")
        );
        Err(Stop::new(Outcome::Failed, reason)
            .advise("nothing was written; bring the files back to an empty folder and compare")
            .advise("or, if those at the target are to be lost: `--replace`"))
    }
}
