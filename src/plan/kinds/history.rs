//! `kind = "history"`: dated plain trees that share the files that did not change.

use super::{Copying, Shared};
use crate::jobs::Source;
use crate::plan::{
    Act, Build, By, KnownBy, Native, Need, Part, Pipeline, Plan, Reading, Sharing, Stdin, Step,
    Survey, Way, choose,
};
use crate::tools::{btrfs, rsync};

pub fn steps(copying: Copying, plan: &Plan) -> Vec<Step> {
    let way = choose(copying.source, copying.facts);
    let mut steps = match way.by {
        By::Rsync => by_rsync(copying, plan, &way),
        By::Native { .. } => natively(copying, plan, &way),
    };
    steps.extend(copying.remove_leftovers(&copying.facts.leftovers));
    steps
}

/// The survey is the dry run of it: what it finds is what is copied.
fn natively(copying: Copying, plan: &Plan, way: &Way) -> Vec<Step> {
    let By::Native { sharing, against } = way.by else {
        return Vec::new();
    };
    let facts = copying.facts;
    let name = plan.generation.to_string();
    let partial = format!("{name}.partial");
    let manifest = plan.form.manifest(plan.generation);
    let survey = Survey {
        sources: match copying.source {
            Source::Local(paths) => paths.clone(),
            Source::Ssh { .. } => Vec::new(),
        },
        exclude: copying.job.exclude.clone(),
        hidden: facts.hidden.clone(),
        against,
        indexes: facts.indexes.clone(),
    };
    let last = against.map(|known| known.generation.to_string());
    let survey_words = match (against.map(|known| known.by), &last) {
        (Some(KnownBy::Index), Some(last)) => format!("look what changed since `{last}`"),
        (Some(KnownBy::Manifest), Some(last)) => format!(
            "read every file, and compare with `{last}`: what the source was then is not known on this server"
        ),
        _ => "look at every file: there is no earlier generation".to_owned(),
    };
    let native = |part, words: String, act| Step::new(part, words, Act::Native(act));
    let mut steps = vec![
        copying.make_folder(),
        native(Part::Measure, survey_words, Native::Survey(survey)),
        copying.check(Need::NewBytes),
    ];
    steps.extend(snapshot(sharing, last.as_deref(), &partial));
    let build = Build {
        partial: partial.clone(),
        sharing,
        leftovers: newest_first(&facts.fresh_leftovers),
    };
    let others = Pipeline {
        stdin: Stdin::Names,
        ..Pipeline::plain(rsync::copy_names(&partial)).reading(Reading::RsyncOthers)
    };
    steps.extend([
        native(
            Part::Copy,
            build_words(last.as_deref(), sharing, &way.because),
            Native::Build(build),
        ),
        Step::new(
            Part::Copy,
            "copy with rsync what is neither file nor link among what changed",
            Act::Tool(others),
        ),
        native(
            Part::Copy,
            format!("write the manifest `{manifest}`"),
            Native::Finish {
                partial: partial.clone(),
                manifest: manifest.clone(),
            },
        ),
    ]);
    steps.extend(copying.settle(&partial, &name, &[manifest]));
    steps.push(native(
        Part::Copy,
        "forget what the source was before".to_owned(),
        Native::Settle,
    ));
    steps
}

fn build_words(last: Option<&str>, sharing: Sharing, because: &str) -> String {
    match (last, sharing) {
        (None, _) => format!("copy everything, on all cores ({because})"),
        (Some(last), Sharing::Links) => {
            format!("link what did not change to `{last}`, and copy the rest ({because})")
        }
        (Some(_), Sharing::Snapshot) => {
            format!("take away what is gone, and copy what changed ({because})")
        }
    }
}

fn snapshot(sharing: Sharing, last: Option<&str>, partial: &str) -> Option<Step> {
    if sharing == Sharing::Links {
        return None;
    }
    let (words, argv) = match last {
        None => (
            "begin with an empty subvolume".to_owned(),
            btrfs::subvolume_create(partial),
        ),
        Some(last) => (
            format!("begin with a snapshot of `{last}`"),
            btrfs::subvolume_snapshot(last, partial),
        ),
    };
    Some(Step::new(
        Part::Copy,
        words,
        Act::Tool(Pipeline::plain(argv)),
    ))
}

fn by_rsync(copying: Copying, plan: &Plan, way: &Way) -> Vec<Step> {
    let source_line = copying.source_line();
    let what = copying.what(source_line.as_ref());
    let landing = &copying.facts.landing;
    let name = plan.generation.to_string();
    let partial = format!("{name}.partial");
    let manifest = plan.form.manifest(plan.generation);
    let shared_with = plan.against.as_ref().map(|generation| generation.name);
    let newest = shared_with.map(|name| name.to_string());
    let shared = newest_first(&copying.facts.leftovers);
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
            copy_words(newest.as_deref(), &way.because),
            copying.rsync(copy, Reading::RsyncCopy),
        ),
        copying.describe(&partial, &name, &manifest, Shared::With(shared_with)),
    ];
    steps.extend(copying.settle(&partial, &name, &[manifest]));
    steps
}

/// Folders left by killed runs, newest first. Their files are linked into the new generation where they
/// are equal, and never written to: they may share inodes with older generations.
fn newest_first(leftovers: &[String]) -> Vec<String> {
    let folders = leftovers.iter().filter(|name| name.ends_with("Z.partial"));
    let mut folders: Vec<String> = folders.cloned().collect();
    folders.sort_unstable_by(|a, b| b.cmp(a));
    folders.truncate(MOST_LEFTOVERS);
    folders
}

/// rsync(1) takes at most 20 `--link-dest` folders.
const MOST_LEFTOVERS: usize = 10;

fn copy_words(newest: Option<&str>, because: &str) -> String {
    match newest {
        None => {
            format!("copy everything: there is no earlier generation (by rsync alone: {because})")
        }
        Some(newest) => format!(
            "copy what changed, and share the rest with `{newest}` (by rsync alone: {because})"
        ),
    }
}
