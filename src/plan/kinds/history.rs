//! `kind = "history"`: dated plain trees that share the files that did not change.

use super::Copying;
use crate::plan::{Need, Part, Plan, Reading, Step};
use crate::tools::rsync;

pub fn steps(copying: Copying, plan: &Plan) -> Vec<Step> {
    let source_line = copying.source_line();
    let what = copying.what(source_line.as_ref());
    let landing = &copying.facts.landing;
    let name = plan.generation.to_string();
    let partial = format!("{name}.partial");
    let newest = plan
        .against
        .as_ref()
        .map(|generation| generation.name.to_string());
    let leftovers = &copying.facts.leftovers;
    let shared = shared_leftovers(leftovers);
    let share_with: Vec<String> = newest.iter().chain(&shared).cloned().collect();

    // a first copy that was cut short has put by what need not be copied again
    let compare_with = share_with.first().unwrap_or(&partial);
    let compare = rsync::compare(what, landing, compare_with);
    let copy = rsync::copy_sharing(what, landing, &partial, &share_with);
    let mut steps = vec![
        copying.make_folder(),
        copying.measure(
            "compare the source with the newest generation",
            compare,
            Reading::RsyncChanges,
        ),
        copying.check(Need::NewBytes),
        Step::new(
            Part::Copy,
            copy_words(newest.as_deref()),
            copying.rsync(copy, Reading::RsyncCopy),
        ),
    ];
    steps.extend(copying.settle(&partial, &name));
    steps.extend(copying.remove_leftovers(leftovers));
    steps
}

/// Folders left by killed runs, newest first. Their files are linked into the new generation where they
/// are equal, and never written to: they may share inodes with older generations.
fn shared_leftovers(leftovers: &[String]) -> Vec<String> {
    let folders = leftovers.iter().filter(|name| name.ends_with("Z.partial"));
    let mut folders: Vec<String> = folders.cloned().collect();
    folders.sort_unstable_by(|a, b| b.cmp(a));
    folders.truncate(MOST_LEFTOVERS);
    folders
}

/// rsync(1) takes at most 20 `--link-dest` folders.
const MOST_LEFTOVERS: usize = 10;

fn copy_words(newest: Option<&str>) -> String {
    match newest {
        None => "copy everything: there is no earlier generation".to_owned(),
        Some(newest) => format!("copy what changed, and share the rest with `{newest}`"),
    }
}
