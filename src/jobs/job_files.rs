//! Which files of the folder `jobs` are job files.

use std::collections::BTreeMap;
use std::ffi::OsStr;
use std::fs;
use std::path::{Path, PathBuf};

use super::Mistake;
use super::reading::{Diagnostic, Role, Severity, check_config_path};

pub struct JobFiles {
    /// By name of the job, which is the file's name without `.toml`.
    pub paths: BTreeMap<String, PathBuf>,
    pub problems: Vec<Diagnostic>,
}

/// All `NAME.toml` of the folder; other files and those that begin with a dot are passed over.
pub fn job_files(folder: &Path) -> JobFiles {
    let of_folder = |mistake| Diagnostic::of_file(folder, Severity::Error, mistake);
    let mut found = JobFiles {
        paths: BTreeMap::new(),
        problems: Vec::new(),
    };
    let shown = folder.display();
    let listed = fs::metadata(folder).and_then(|metadata| Ok((metadata, fs::read_dir(folder)?)));
    let (metadata, entries) = match listed {
        Ok(listed) => listed,
        Err(error) => {
            let mistake = match error.kind() {
                std::io::ErrorKind::NotFound => {
                    Mistake::new(format!("there is no folder `{shown}`"))
                        .help("make it, and in it one file NAME.toml for each job")
                }
                _ => Mistake::new(format!("`{shown}` cannot be read: {error}")),
            };
            found.problems.push(of_folder(mistake));
            return found;
        }
    };
    let access = check_config_path(folder, &metadata, Role::Folder);
    found.problems.extend(access.into_iter().map(of_folder));
    for entry in entries {
        match entry {
            Ok(entry) => add(&mut found, &entry.path()),
            Err(error) => {
                let mistake = Mistake::new(format!("`{shown}` cannot be read: {error}"));
                found.problems.push(of_folder(mistake));
            }
        }
    }
    if found.paths.is_empty() && found.problems.is_empty() {
        let mistake = Mistake::new(format!(
            "there is no job in `{shown}`: nothing would be copied"
        ))
        .help("write one file NAME.toml for each job; examples are in /usr/share/doc/hayloft/examples/jobs");
        found.problems.push(of_folder(mistake));
    }
    found
}

fn add(found: &mut JobFiles, path: &Path) {
    let name = path.file_name().unwrap_or_default();
    let hidden = name.as_encoded_bytes().starts_with(b".");
    if hidden || path.extension() != Some(OsStr::new("toml")) {
        return;
    }
    if let Some(stem) = path.file_stem().and_then(OsStr::to_str) {
        found.paths.insert(stem.to_owned(), path.to_owned());
    } else {
        let mistake = Mistake::new(format!("the name of `{}` is not UTF-8", path.display()))
            .allowed(super::Name::EXPECTED)
            .help("the file's name, without `.toml`, is the job's name: rename the file");
        found
            .problems
            .push(Diagnostic::of_file(path, Severity::Error, mistake));
    }
}
