//! `kind = "archive"`: dated tar files, compressed, and closed with age where `encrypt` is given.

use std::path::Path;

use super::Copying;
use crate::jobs::Encrypt;
use crate::plan::{Act, Argv, Need, Part, Pipeline, Plan, Reading, Stdin, Stdout, Step};
use crate::tools::{files, rsync, seal, tar, zstd};

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
    let mut steps = vec![copying.make_folder()];
    // of no use to a new archive, and in its way on a drive that is nearly full
    steps.extend(copying.remove_leftovers(&copying.facts.leftovers));
    steps.extend([
        copying.measure("list the source", list, Reading::RsyncListing { since }),
        copying.check(Need::Archive),
        Step::new(
            Part::Copy,
            words(encrypt),
            Act::Tool(pipeline(copying, encrypt, &partial)),
        ),
    ]);
    steps.extend(copying.settle(&partial, &name));
    steps
}

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

fn pipeline(copying: Copying, encrypt: Option<&Encrypt>, partial: &str) -> Pipeline {
    let facts = copying.facts;
    let tar = tar::create(copying.source.paths(), &copying.job.exclude, &facts.hidden);
    let tar = match copying.source_line() {
        None => tar,
        Some(line) => line.command(&tar),
    };
    let mut stages: Vec<Argv> = vec![tar, zstd::compress()];
    stages.extend(encrypt.map(|encrypt| seal::close(&facts.own_program, encrypt)));
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
