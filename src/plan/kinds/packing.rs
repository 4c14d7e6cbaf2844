//! Writes a tar archive to the drive: listed, compressed, closed, summed up, named when it is whole.

use std::path::{Path, PathBuf};

use super::Frame;
use crate::jobs::Encrypt;
use crate::plan::{
    Act, Argv, Contents, DescribeArchive, Native, Part, Pipeline, Plan, Reading, Stdin, Stdout,
    Step,
};
use crate::tools::{describe_archive, files, seal, zstd};

/// The archive that is written.
pub struct Packing<'a> {
    pub words: String,
    pub encrypt: Option<&'a Encrypt>,
    /// Where the archive comes from, unless a program makes it.
    pub stdin: Stdin,
    /// The program that makes it.
    pub tar: Option<Argv>,
    /// The folders that lead to sources.
    pub above: Vec<PathBuf>,
    /// A text beside it that is written already, and named with it.
    pub beside: Option<String>,
}

/// On the server: what a filter found of the archive that is being written.
const SUM: &str = "archive.sum";
/// On the server, where the drive is on another host: the manifest of what is in it.
const CONTENTS: &str = "contents.mtree";

/// All that follows the check of the room.
pub fn steps(frame: Frame, plan: &Plan, packing: &Packing) -> Vec<Step> {
    let name = plan.form.entry(plan.generation);
    let partial = format!("{name}.partial");
    let manifest = plan.form.manifest(plan.generation);
    let contents = plan.form.contents(plan.generation);
    let is_local = frame.facts.landing.ssh().is_none();
    let described = DescribeArchive {
        partial: partial.clone(),
        entry: name.clone(),
        manifest: manifest.clone(),
        sum: frame.facts.indexes.join(SUM),
        contents: contents.clone().filter(|_| !is_local).map(|name| Contents {
            here: frame.facts.indexes.join(CONTENTS),
            name,
        }),
        scratch: frame.facts.indexes.clone(),
    };
    let mut steps = vec![
        Step::new(
            Part::Copy,
            packing.words.clone(),
            Act::Tool(pipeline(frame, plan, packing, &partial)),
        ),
        Step::new(
            Part::Copy,
            format!("write the manifest `{manifest}`, with the digest of what was written"),
            Act::Native(Native::DescribeArchive(described)),
        ),
    ];
    let beside = packing.beside.clone().into_iter();
    let named: Vec<String> = beside.chain(contents).chain([manifest]).collect();
    steps.extend(frame.settle(&partial, &name, &named));
    steps
}

/// The end of a sentence about an archive.
pub fn how_closed(encrypt: Option<&Encrypt>) -> &'static str {
    match encrypt {
        None => "",
        Some(Encrypt::Recipients(_)) => ", closed for its recipients",
        Some(Encrypt::Passphrase(_) | Encrypt::Credential(_)) => ", closed with the passphrase",
    }
}

fn pipeline(frame: Frame, plan: &Plan, packing: &Packing, partial: &str) -> Pipeline {
    let facts = frame.facts;
    let mut stages: Vec<Argv> = packing.tar.clone().into_iter().collect();
    stages.extend([list(frame, plan, packing), zstd::compress()]);
    stages.extend(
        packing
            .encrypt
            .map(|encrypt| seal::close(&facts.own_program, encrypt)),
    );
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
        stdin: packing.stdin.clone(),
        stdout,
        reading: Reading::Tar,
        retries: Vec::new(),
    }
}

/// The filter that tells what is in the archive. On a local drive it writes into the job's folder, where it is run.
fn list(frame: Frame, plan: &Plan, packing: &Packing) -> Argv {
    let facts = frame.facts;
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
            above: &packing.above,
            encrypt: packing.encrypt,
        },
    )
}
