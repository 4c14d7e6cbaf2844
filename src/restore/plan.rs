//! The plan of a restore: pure, and run by the one executor.

use std::path::{Path, PathBuf};

use jiff::Timestamp;

use super::Opening;
use crate::jobs::Job;
use crate::plan::{Act, Argv, Landing, Part, Pipeline, Plan, Reading, Stdout, Step, Stop};
use crate::record::{Form, Generation};
use crate::tools::seal::Opener;
use crate::tools::{Existing, files, rsync, tar};

/// What a person asks to have back.
#[derive(Debug, Clone)]
pub struct Wish<'a> {
    pub job: &'a Job,
    pub generation: &'a Generation,
    pub landing: &'a Landing,
    /// Paths as they were on the source, from its root; everything when empty.
    pub paths: &'a [PathBuf],
    /// The paths come back below this folder: `/` puts them in their place.
    pub to: &'a Path,
    /// Unless they are replaced, any that differs stops the restore before it begins.
    pub existing: Existing,
    /// For an archive that is closed: a file given on the command line, rather than the job's own.
    pub opener: Option<Opener>,
    pub own_program: &'a Path,
    pub now: Timestamp,
}

/// Measures what would be written, refuses what would be lost, then writes.
pub fn plan_restore(wish: &Wish) -> Plan {
    let mut stops = Vec::new();
    let steps = match wish.generation.form {
        Form::Tree | Form::Current => tree_steps(wish),
        Form::Tar | Form::SealedTar => archive_steps(wish).unwrap_or_else(|stop| {
            stops.push(stop);
            Vec::new()
        }),
    };
    Plan {
        job: wish.job.name.clone(),
        kind: wish.job.kind.name(),
        at: wish.now,
        landing: wish.landing.clone(),
        generation: wish.generation.name,
        form: wish.generation.form,
        against: None,
        notes: Vec::new(),
        stops,
        steps,
        timeout: None,
    }
}

fn tree_steps(wish: &Wish) -> Vec<Step> {
    let entry = wish.generation.form.entry(wish.generation.name);
    // Everything is all that lies below the sources: the root folder itself is not part of a copy, and the
    // mode that it has on the drive must not become that of the target, which may be `/`.
    let paths = if wish.paths.is_empty() {
        &wish.generation.sources
    } else {
        wish.paths
    };
    let compare = rsync::compare_back(wish.landing, &entry, paths, wish.to);
    let bring = rsync::bring_back(wish.landing, &entry, paths, wish.to, wish.existing);
    let pipeline = |argv: Argv, reading: Reading| Act::Tool(Pipeline::plain(argv).reading(reading));
    let mut steps = vec![Step::new(
        Part::Measure,
        "compare the copy with what is at the target",
        pipeline(compare, Reading::RsyncChanges),
    )];
    steps.extend(refusal(wish));
    steps.push(make_target(wish));
    steps.push(Step::new(
        Part::Restore,
        "bring the files back",
        pipeline(bring, Reading::RsyncCopy),
    ));
    steps
}

fn archive_steps(wish: &Wish) -> Result<Vec<Step>, Stop> {
    let list = Reading::ArchiveNames {
        below: wish.to.to_owned(),
    };
    let mut steps = vec![Step::new(
        Part::Measure,
        "compare the names in the archive with what is at the target",
        Act::Tool(opened(wish, tar::list(wish.paths), list)?),
    )];
    steps.extend(refusal(wish));
    steps.push(make_target(wish));
    let extract = opened(
        wish,
        tar::extract(wish.to, wish.paths, wish.existing),
        Reading::Plain,
    )?;
    steps.push(Step::new(
        Part::Restore,
        "bring the files back",
        Act::Tool(extract),
    ));
    Ok(steps)
}

fn make_target(wish: &Wish) -> Step {
    let act = Act::Tool(Pipeline::plain(files::make_target(wish.to)));
    Step::new(Part::Restore, "make the target folder", act)
}

fn refusal(wish: &Wish) -> Option<Step> {
    let act = Act::RefuseExisting {
        target: wish.to.to_owned(),
    };
    let step = Step::new(Part::Restore, "make sure that nothing is overwritten", act);
    (wish.existing == Existing::Keep).then_some(step)
}

/// The archive, opened and expanded, into `last`.
fn opened(wish: &Wish, last: Argv, reading: Reading) -> Result<Pipeline, Stop> {
    let opening = Opening {
        job: wish.job,
        generation: wish.generation,
        landing: wish.landing,
        opener: wish.opener.clone(),
        own_program: wish.own_program,
    };
    let (stdin, mut stages) = opening.stages()?;
    stages.push(last);
    Ok(Pipeline {
        stages,
        stdin,
        stdout: Stdout::Read,
        reading,
        retries: Vec::new(),
    })
}
