//! What is done with the export of a database: what must be known for it here, and its steps.

use std::fs;
use std::io::Read as _;
use std::path::{Path, PathBuf};

use jiff::Timestamp;

use super::export_task::{Aim, ExportWanted, LoadEnd, Opened};
use super::services::mount;
use crate::jobs::{Encrypt, Engine, LocalServer};
use crate::plan::{DatabaseFacts, Owner, Step, Stop};
use crate::prove::rehearse::DatabaseRehearsal;
use crate::prove::tables::{self, Tables, TablesError};
use crate::record::{GenerationName, Outcome};
use crate::restore::{DatabaseLoad, Keeping, Opening, database_refusal};
use crate::system::{accounts, database_facts};
use crate::tools::Existing;
use crate::tools::postgresql::Programs;
use crate::tools::seal::Opener;

/// Where Debian's packages put the programs of each version of postgresql.
const VERSIONS: &str = "/usr/lib/postgresql";

/// The end of the names of members with figures.
const FIGURES: &str = ".tables.json";

/// # Errors
/// Why it cannot be done.
pub fn database_steps(
    engine: &Engine,
    wanted: &ExportWanted,
    opening: &Opening,
    opened: &Opened,
    now: Timestamp,
) -> Result<Vec<Step>, Stop> {
    let exported = figures(opened)?;
    match &wanted.aim {
        Aim::Load { existing, keeping } => {
            let load = DatabaseLoad {
                exported: &exported,
                at: GenerationName::at(now),
                own_program: opening.own_program,
            };
            load_steps(engine, load, *existing, (opening, keeping))
        }
        Aim::Rehearse { folder, most } => {
            let owner = owner(engine)?;
            let rehearsal = DatabaseRehearsal {
                engine,
                exported: &exported,
                owner: &owner,
                programs: &programs(engine, &exported)?,
                folder,
                own_program: opening.own_program,
            };
            let mut steps = mount(folder, *most).to_vec();
            steps.extend(rehearsal.steps());
            Ok(steps)
        }
    }
}

fn load_steps(
    engine: &Engine,
    load: DatabaseLoad,
    existing: Existing,
    (opening, folder): (&Opening, &Path),
) -> Result<Vec<Step>, Stop> {
    // all that the server has, whatever the job exports
    let all = |wanted: &LocalServer| LocalServer {
        name: None,
        ..wanted.clone()
    };
    match engine {
        Engine::Postgresql(wanted) => {
            let DatabaseFacts::Postgresql {
                server, databases, ..
            } = database_facts(&Engine::Postgresql(all(wanted)))?
            else {
                return Err(another());
            };
            may_make_way(load, &databases, existing, |name| {
                tables::is_empty_postgresql(&server, name)
            })?;
            Ok(load.postgresql(&server))
        }
        Engine::Mariadb(wanted) => {
            let DatabaseFacts::Mariadb {
                server, databases, ..
            } = database_facts(&Engine::Mariadb(all(wanted)))?
            else {
                return Err(another());
            };
            may_make_way(load, &databases, existing, |name| {
                tables::is_empty_mariadb(&server, name)
            })?;
            let encrypt = opening.job.kind.encrypt();
            let opener = encrypt
                .map(|encrypt| way_back(encrypt, opening))
                .transpose()?;
            let keeping = Keeping {
                folder,
                closed: encrypt.zip(opener.as_ref()),
            };
            Ok(load.mariadb(&server, &databases, keeping))
        }
        Engine::Sqlite { file } => {
            let there = file.symlink_metadata().is_ok();
            let full = there.then(|| file.display().to_string());
            let full: Vec<String> = full.into_iter().collect();
            match database_refusal(&full, existing) {
                Some(stop) => Err(stop),
                None => Ok(load.sqlite(file)),
            }
        }
    }
}

/// What databases hold makes way only when that was said.
fn may_make_way(
    load: DatabaseLoad,
    live: &[String],
    existing: Existing,
    is_empty: impl Fn(&str) -> Result<bool, TablesError>,
) -> Result<(), Stop> {
    if existing == Existing::Replace {
        return Ok(());
    }
    let mut full = Vec::new();
    for one in load.exported {
        let empty = || {
            is_empty(&one.database).map_err(|error| Stop::new(Outcome::Failed, error.to_string()))
        };
        if live.contains(&one.database) && !empty()? {
            full.push(one.database.clone());
        }
    }
    database_refusal(&full, existing).map_or(Ok(()), Err)
}

/// What opens again what the job closes: also at the next start, when nobody is there to be asked.
fn way_back(encrypt: &Encrypt, opening: &Opening) -> Result<Opener, Stop> {
    match encrypt {
        Encrypt::Passphrase(file) => Ok(Opener::PassphraseFile(file.clone())),
        Encrypt::Credential(name) => Ok(Opener::Credential(name.clone())),
        Encrypt::Recipients(_) => opening.opener(),
    }
}

/// What a person should know when a load is over.
pub fn notes(engine: &Engine, at: GenerationName, keeping: &Path, ended: LoadEnd) -> Vec<String> {
    if let (Engine::Mariadb(_), LoadEnd::Loaded) = (engine, ended)
        && !keeps_any(keeping, at)
    {
        return Vec::new();
    }
    let (kept, removal) = match engine {
        Engine::Sqlite { .. } => (
            format!("beside it, in a file that ends in `.before-{at}`"),
            "remove it",
        ),
        Engine::Mariadb(_) => (
            format!(
                "in `{}`, in files with `.before-{at}` in their names",
                keeping.display()
            ),
            "remove them",
        ),
        Engine::Postgresql(_) => (
            format!("in databases whose names end in `_before_{at}`"),
            "drop them",
        ),
    };
    vec![match ended {
        LoadEnd::Loaded => {
            format!("what was there before is kept {kept}: {removal} once all is as it should be")
        }
        LoadEnd::PutBack => {
            "all is as it was; what had been loaded was removed, but for new roles".to_owned()
        }
        LoadEnd::NotPutBack => format!(
            "not all could be put back as it was: what is missing is kept {kept}; hayloft tries once more at its next start"
        ),
    }]
}

fn keeps_any(folder: &Path, at: GenerationName) -> bool {
    let word = format!(".before-{at}");
    let entries = fs::read_dir(folder).into_iter().flatten().flatten();
    let names = entries.map(|entry| entry.file_name());
    names
        .into_iter()
        .any(|name| name.to_string_lossy().contains(&word))
}

/// Of every database of the export.
fn figures(opened: &Opened) -> Result<Vec<Tables>, Stop> {
    let members = opened.members.iter();
    let found: Result<Vec<Tables>, Stop> = members
        .filter(|kept| kept.told.name.ends_with(FIGURES))
        .map(|kept| {
            let name = Path::new(&kept.told.name);
            let failed = |words: String| Stop::new(Outcome::Failed, words);
            let mut bytes = Vec::new();
            let read = kept
                .open()
                .and_then(|mut open| open.read_to_end(&mut bytes));
            read.map_err(|error| failed(format!("`{}`: {error}", name.display())))?;
            Tables::parse(&bytes, name).map_err(|error| failed(error.to_string()))
        })
        .collect();
    let found = found?;
    if found.is_empty() {
        return Err(Stop::new(
            Outcome::Failed,
            "there is no database in this export",
        ));
    }
    Ok(found)
}

/// The account that servers of this kind run as.
fn owner(engine: &Engine) -> Result<Owner, Stop> {
    let user = match engine {
        Engine::Postgresql(wanted) => &wanted.user,
        Engine::Mariadb(_) => "mysql",
        Engine::Sqlite { .. } => "root",
    };
    let account = accounts::account(user).ok_or_else(|| {
        Stop::new(
            Outcome::Failed,
            format!("this server has no account `{user}`, which the database server would run as"),
        )
        .advise("install the database server here, or correct `user` in the job's file")
    })?;
    Ok(Owner {
        user: user.to_owned(),
        group: account.group.to_string(),
    })
}

/// Of the oldest version that can load the export: what it holds is sure to be known to that of its own server.
fn programs(engine: &Engine, exported: &[Tables]) -> Result<Programs, Stop> {
    if let Engine::Mariadb(_) | Engine::Sqlite { .. } = engine {
        return Ok(Programs::OnPath);
    }
    let digits = |text: &str| -> Option<u32> {
        let end = text.find(|c: char| !c.is_ascii_digit());
        text[..end.unwrap_or(text.len())].parse().ok()
    };
    let needed = exported.iter().filter_map(|one| digits(&one.version)).max();
    let needed = needed.unwrap_or_default();
    let folders = fs::read_dir(VERSIONS).into_iter().flatten().flatten();
    let fitting = folders.filter_map(|entry| {
        let version = digits(entry.file_name().to_str()?)?;
        let programs: PathBuf = entry.path().join("bin");
        let is_server = programs.join("initdb").exists();
        (is_server && version >= needed).then_some((version, programs))
    });
    let chosen = fitting.min_by_key(|(version, _)| *version);
    chosen.map(|(_, folder)| Programs::In(folder)).ok_or_else(|| {
        let reason = format!(
            "the export is of PostgreSQL {needed}, and no server of that version or a newer one is installed here"
        );
        Stop::new(Outcome::Failed, reason)
            .advise(format!("install it: apt install postgresql-{needed}"))
    })
}

fn another() -> Stop {
    Stop::new(
        Outcome::Failed,
        "the server is not of the engine that the job's file names",
    )
}
