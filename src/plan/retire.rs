//! Removing what retention and the cap no longer want: steps like any other.

use std::collections::BTreeSet;

use super::{Act, CatalogueAct, Landing, Part, Step};
use crate::jobs::KindName;
use crate::record::{Decision, Form, Generation};

/// First every retired generation loses its name, so that a removal cut short is never taken for a
/// whole generation; then the catalogue is told; then the space is given back. `subvolumes` are those entries of
/// the job's folder that are btrfs subvolumes.
pub fn retire_steps(
    landing: &Landing,
    generations: &[Generation],
    decisions: &[Decision],
    subvolumes: &BTreeSet<String>,
) -> Vec<Step> {
    let retired = |generation: &&Generation| {
        let decision = decisions
            .iter()
            .find(|decision| decision.generation == generation.name);
        generation.form != Form::Current && decision.is_some_and(|decision| !decision.kept)
    };
    let doomed: Vec<&Generation> = generations.iter().filter(retired).collect();
    if doomed.is_empty() {
        return Vec::new();
    }
    let entry = |generation: &Generation| generation.form.entry(generation.name);
    let mut steps: Vec<Step> = Vec::new();
    for generation in &doomed {
        let (name, partial) = (entry(generation), format!("{}.partial", entry(generation)));
        steps.push(Step::new(
            Part::Retire,
            format!("retire {name}"),
            landing.rename(&name, &partial),
        ));
    }
    let names = doomed.iter().map(|generation| generation.name).collect();
    steps.push(Step::new(
        Part::Retire,
        "write it into the catalogue",
        Act::Catalogue(CatalogueAct::Retired(names)),
    ));
    for generation in &doomed {
        // before what they tell of: it is no whole generation any more, and they are found alone otherwise
        let inventory = generation.kind == KindName::Settings;
        let manifests = [
            inventory.then(|| generation.name.inventory()),
            Some(generation.form.manifest(generation.name)),
            generation.form.contents(generation.name),
        ];
        for manifest in manifests.into_iter().flatten() {
            let words = format!("remove {manifest}");
            steps.push(Step::new(Part::Retire, words, landing.remove(&manifest)));
        }
        let partial = format!("{}.partial", entry(generation));
        let act = if subvolumes.contains(&entry(generation)) {
            landing.remove_subvolume(&partial)
        } else {
            landing.remove(&partial)
        };
        let words = format!("remove {}", entry(generation));
        steps.push(Step::new(Part::Retire, words, act));
    }
    steps
}
