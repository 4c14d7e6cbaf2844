//! From a configuration folder to a [`Config`], or to everything that is wrong with it.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};

use super::job::ReadJob;
use super::job_files::job_files;
use super::reading::{
    Diagnostic, FileText, Findings, Role, Severity, Table, check_config_path, parse_tree,
};
use super::references::{JobFile, check_references};
use super::server_file::ReadServer;
use super::{Config, Job, Mistake, Name};

/// A configuration that can be used, and what a person should know about it.
#[derive(Debug, Clone, PartialEq)]
pub struct Loaded {
    pub config: Config,
    pub warnings: Vec<Diagnostic>,
}

/// Read `server.toml` and `jobs/NAME.toml` of a folder.
///
/// # Errors
/// Every mistake of all files, `server.toml` first, then the job files by name, each in the order of
/// the file. Warnings are among them.
pub fn load(folder: &Path) -> Result<Loaded, Vec<Diagnostic>> {
    let mut told = check_folder(folder)?;
    let mut server = ReadServer::default();
    match FileText::read(&folder.join("server.toml")) {
        Ok(text) => {
            let findings = Findings::new(&text);
            let tree = parse_tree(&findings);
            server = ReadServer::read(&findings, &tree);
            refuse_writable(&findings, Role::Server);
            told.extend(findings.into_diagnostics());
        }
        Err(diagnostic) => told.push(*diagnostic),
    }
    let found = job_files(&folder.join("jobs"));
    told.extend(found.problems);
    let jobs = read_jobs(&found.paths, &server, &mut told);
    let (errors, warnings): (Vec<_>, Vec<_>) = told.iter().cloned().partition(Diagnostic::is_error);
    match server.server {
        Some(described) if errors.is_empty() => Ok(Loaded {
            config: Config {
                folder: folder.to_owned(),
                server: described,
                mail: server.mail,
                drives: server.drives,
                machines: server.machines,
                jobs,
            },
            warnings,
        }),
        _ => Err(told),
    }
}

/// Fails when there is no folder to go on with.
fn check_folder(folder: &Path) -> Result<Vec<Diagnostic>, Vec<Diagnostic>> {
    let of_folder = |mistake| Diagnostic::of_file(folder, Severity::Error, mistake);
    let shown = folder.display();
    let metadata = fs::metadata(folder).map_err(|error| {
        let mistake = match error.kind() {
            std::io::ErrorKind::NotFound => Mistake::new(format!("there is no folder `{shown}`"))
                .help(
                    "make it from the example folder: /usr/share/doc/hayloft/examples; `--config DIR` points elsewhere",
                ),
            _ => Mistake::new(format!("`{shown}` cannot be read: {error}")),
        };
        vec![of_folder(mistake)]
    })?;
    if !metadata.is_dir() {
        return Err(vec![of_folder(
            Mistake::new(format!("`{shown}` is not a folder"))
                .help("`--config` takes the folder that holds server.toml"),
        )]);
    }
    let mistakes = check_config_path(folder, &metadata, Role::Folder);
    Ok(mistakes.into_iter().map(of_folder).collect())
}

fn refuse_writable(findings: &Findings<'_>, role: Role) {
    for mistake in check_config_path(&findings.file.path, &findings.file.metadata, role) {
        findings.whole_file(mistake);
    }
}

/// The jobs of all files; what is found in them is added to `told` by name of the job.
fn read_jobs(
    paths: &BTreeMap<String, PathBuf>,
    server: &ReadServer,
    told: &mut Vec<Diagnostic>,
) -> BTreeMap<Name, Job> {
    let names: BTreeSet<String> = paths.keys().cloned().collect();
    let mut by_file: BTreeMap<String, Vec<Diagnostic>> = BTreeMap::new();
    let mut texts = Vec::new();
    for (name, path) in paths {
        match FileText::read(path) {
            Ok(text) => texts.push((name, text)),
            Err(diagnostic) => drop(by_file.insert(name.clone(), vec![*diagnostic])),
        }
    }
    let files: Vec<JobFile<'_>> = texts
        .iter()
        .map(|(name, text)| read_job_file(name, text))
        .collect();
    check_references(&files, &names, server);
    let mut jobs = BTreeMap::new();
    for file in files {
        by_file.insert(file.name, file.findings.into_diagnostics());
        jobs.extend(file.read.job.map(|job| (job.name.clone(), job)));
    }
    told.extend(by_file.into_values().flatten());
    jobs
}

fn read_job_file<'f>(stem: &str, text: &'f FileText) -> JobFile<'f> {
    let findings = Findings::new(text);
    let name = Name::read(stem).map_err(|mistake| {
        findings.whole_file(
            mistake.help("the file's name, without `.toml`, is the job's name: rename the file"),
        );
    });
    let tree = parse_tree(&findings);
    let read = ReadJob::read(
        name.as_ref().ok(),
        Table::new(&findings, "the job", 0..0, &tree),
    );
    let role = if read.has_steps {
        Role::JobWithSteps
    } else {
        Role::JobWithoutSteps
    };
    refuse_writable(&findings, role);
    JobFile {
        name: stem.to_owned(),
        read,
        findings,
    }
}
