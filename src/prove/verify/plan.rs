//! The plan of a verify run: pure, and run by the one executor.

use jiff::Timestamp;

use crate::jobs::{Job, Size};
use crate::plan::{Act, Extent, Landing, Part, Plan, Step, Verify};
use crate::record::{Form, Generation, GenerationName};

/// What is to be verified.
#[derive(Debug, Clone)]
pub struct VerifyWish<'a> {
    pub job: &'a Job,
    pub landing: &'a Landing,
    /// Oldest first; none is an empty plan.
    pub copies: Vec<Generation>,
    pub extent: Extent,
    pub rate: Option<Size>,
    pub now: Timestamp,
}

/// Reads only: one step for all copies, since they share files.
pub fn plan_verify(wish: VerifyWish) -> Plan {
    let newest = wish.copies.last();
    let words = words(&wish.copies, &wish.extent);
    let generation = newest.map_or(GenerationName::at(wish.now), |one| one.name);
    let form = newest.map_or(Form::Tree, |one| one.form);
    let steps = if wish.copies.is_empty() {
        Vec::new()
    } else {
        let verify = Verify {
            copies: wish.copies,
            extent: wish.extent,
            rate: wish.rate,
        };
        vec![Step::new(Part::Verify, words, Act::Verify(verify))]
    };
    Plan {
        job: wish.job.name.clone(),
        kind: wish.job.kind.name(),
        at: wish.now,
        landing: wish.landing.clone(),
        generation,
        form,
        against: None,
        notes: Vec::new(),
        stops: Vec::new(),
        steps,
        timeout: None,
    }
}

fn words(copies: &[Generation], extent: &Extent) -> String {
    let which = match copies {
        [one] => one.form.entry(one.name),
        many => format!("{} copies", many.len()),
    };
    match extent {
        Extent::Everything => format!("re-read {which} and hold it against its manifest"),
        Extent::Sample { files, .. } => {
            format!("re-read {files} files of {which}, chosen by chance")
        }
        Extent::Slice { .. } => format!("re-read a part of {which}"),
    }
}
