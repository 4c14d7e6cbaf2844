//! `kind = "archive"`: dated tar files, compressed, and closed with age where `encrypt` is given.

use std::path::Path;

use super::Copying;
use crate::jobs::Encrypt;
use crate::plan::{
    Act, Argv, Contents, DescribeArchive, Native, Need, Part, Pipeline, Plan, Reading, Stdin,
    Stdout, Step,
};
use crate::tools::{describe_archive, files, rsync, seal, tar, zstd};

/// rsync's listing wants a target; it is a dry run, so this one is never made.
const NOWHERE: &str = "/nonexistent/";

pub fn steps(copying: Copying, encrypt: Option<&Encrypt>, plan: &Plan) -> Vec<Step> {
    let source_line = copying.source_line();
    let name = plan.form.entry(plan.generation);
    let partial = format!("{name}.partial");
    let since = plan
        .against
        .as_ref()
        .map(|generation| generation.name.instant());
    let list = rsync::list_source(copying.what(source_line.as_ref()), Path::new(NOWHERE));
    let manifest = plan.form.manifest(plan.generation);
    let contents = plan.form.contents(plan.generation);
    let is_local = copying.facts.landing.ssh().is_none();
    let described = DescribeArchive {
        partial: partial.clone(),
        entry: name.clone(),
        manifest: manifest.clone(),
        sum: copying.facts.indexes.join(SUM),
        contents: contents.clone().filter(|_| !is_local).map(|name| Contents {
            here: copying.facts.indexes.join(CONTENTS),
            name,
        }),
        scratch: copying.facts.indexes.clone(),
    };
    let mut steps = vec![copying.make_folder()];
    // of no use to a new archive, and in its way on a drive that is nearly full
    steps.extend(copying.remove_leftovers(&copying.facts.leftovers));
    steps.extend([
        copying.measure("list the source", list, Reading::RsyncListing { since }),
        copying.check(Need::Archive),
        Step::new(
            Part::Copy,
            words(encrypt),
            Act::Tool(pipeline(copying, encrypt, plan, &partial)),
        ),
        Step::new(
            Part::Copy,
            format!("write the manifest `{manifest}`, with the digest of what was written"),
            Act::Native(Native::DescribeArchive(described)),
        ),
    ]);
    let manifests: Vec<String> = contents.into_iter().chain([manifest]).collect();
    steps.extend(copying.settle(&partial, &name, &manifests));
    steps
}

/// On the server: what a filter found of the archive that is being written.
const SUM: &str = "archive.sum";
/// On the server, where the drive is on another host: the manifest of what is in it.
const CONTENTS: &str = "contents.mtree";

fn words(encrypt: Option<&Encrypt>) -> &'static str {
    match encrypt {
        None => "write the source as a compressed tar archive (sockets stay out: tar holds none)",
        Some(Encrypt::Passphrase(_)) => {
            "write the source as a compressed tar archive, closed with the passphrase (sockets stay out: tar holds none)"
        }
        Some(Encrypt::Recipients(_)) => {
            "write the source as a compressed tar archive, closed for its recipients (sockets stay out: tar holds none)"
        }
    }
}

fn pipeline(copying: Copying, encrypt: Option<&Encrypt>, plan: &Plan, partial: &str) -> Pipeline {
    let facts = copying.facts;
    let tar = tar::create(copying.source.paths(), &copying.job.exclude, &facts.hidden);
    let tar = match copying.source_line() {
        None => tar,
        Some(line) => line.command(&tar),
    };
    let list = list(copying, encrypt, plan);
    let mut stages: Vec<Argv> = vec![tar, list, zstd::compress()];
    stages.extend(encrypt.map(|encrypt| seal::close(&facts.own_program, encrypt)));
    stages.push(describe_archive::sum(
        &facts.own_program,
        &facts.indexes.join(SUM),
    ));
    let stdout = match facts.landing.ssh() {
        None => Stdout::NewFile(partial.into()),
        Some(line) => {
            stages.push(line.command(&files::write_from_stdin(
                &facts.landing.path().join(partial),
            )));
            Stdout::Read
        }
    };
    Pipeline {
        stages,
        stdin: Stdin::Nothing,
        stdout,
        reading: Reading::Tar,
        retries: Vec::new(),
    }
}

/// The filter that tells what is in the archive. On a local drive it writes into the job's folder, where it is run.
fn list(copying: Copying, encrypt: Option<&Encrypt>, plan: &Plan) -> Argv {
    let facts = copying.facts;
    let archive = plan.form.entry(plan.generation);
    let contents = plan.form.contents(plan.generation).unwrap_or_default();
    let to = match facts.landing.ssh() {
        None => Path::new(&format!("{contents}.partial")).to_owned(),
        Some(_) => facts.indexes.join(CONTENTS),
    };
    let title = format!("{} of {}, {}", plan.job, facts.server, plan.generation);
    describe_archive::list(
        &facts.own_program,
        &describe_archive::Contents {
            title: &title,
            archive: &archive,
            name: contents.trim_end_matches(".age"),
            to: &to,
            scratch: &facts.indexes,
            above: &tar::folders_above(copying.source.paths()),
            encrypt,
        },
    )
}
