//! `kind = "mirror"`: one folder, `current/`, kept as the source is.

use std::path::{Path, PathBuf};

use super::{Copying, Shared};
use crate::plan::{Act, CatalogueAct, Need, Part, Plan, Reading, Step};
use crate::tools::rsync;

const CURRENT: &str = "current";

pub fn steps(copying: Copying, plan: &mut Plan) -> Vec<Step> {
    let source_line = copying.source_line();
    let what = copying.what(source_line.as_ref());
    let landing = &copying.facts.landing;
    let manifest = plan.form.manifest(plan.generation);
    let compare = rsync::compare(what, landing, CURRENT);
    let copy = rsync::copy_over(what, landing, CURRENT);
    let mut steps = vec![
        copying.make_folder(),
        copying.measure(
            "compare the source with the mirror",
            compare,
            Reading::RsyncChanges,
        ),
        copying.check(Need::NewBytes),
        Step::new(
            Part::Copy,
            "mark the mirror as being updated",
            Act::Catalogue(CatalogueAct::Updating),
        ),
        Step::new(
            Part::Copy,
            format!("remove `{manifest}`: it tells what the mirror was"),
            landing.remove(&manifest),
        ),
        Step::new(
            Part::Copy,
            "copy what changed, and delete from the mirror what is gone",
            copying.rsync(copy, Reading::RsyncCopy),
        ),
    ];
    for path in dropped_sources(copying.source.paths(), plan) {
        let entry = format!("{CURRENT}{}", path.display());
        let words = format!(
            "remove `{}` from the mirror: the job no longer names it",
            path.display()
        );
        steps.push(Step::new(Part::Copy, words, landing.remove(&entry)));
    }
    // of other kinds that the job was of before
    steps.extend(copying.remove_leftovers(&copying.facts.leftovers));
    steps.push(copying.describe(CURRENT, CURRENT, &manifest, Shared::Kept));
    steps.push(Step::new(Part::Copy, "flush the drive", landing.flush()));
    steps.extend(copying.name_manifests(&[manifest]));
    steps.push(Step::new(
        Part::Copy,
        "write it into the catalogue",
        Act::Catalogue(CatalogueAct::Whole),
    ));
    steps
}

/// Sources that the mirror holds and the job file no longer names. One that holds a new source is
/// left to a person: what else lies there may be wanted.
fn dropped_sources(named: &[PathBuf], plan: &mut Plan) -> Vec<PathBuf> {
    let held = plan
        .against
        .as_ref()
        .map_or(Vec::new(), |generation| generation.sources.clone());
    let within_named = |path: &Path| named.iter().any(|other| path.starts_with(other));
    let holds_named = |path: &Path| named.iter().any(|other| other.starts_with(path));
    let (wide, dropped): (Vec<_>, Vec<_>) = held
        .into_iter()
        .filter(|path| !within_named(path))
        .partition(|path| holds_named(path));
    for path in wide {
        let path = path.display();
        plan.notes.push(format!(
            "the mirror was made of `{path}`; what lies there outside the new source stays in it"
        ));
    }
    dropped
}
