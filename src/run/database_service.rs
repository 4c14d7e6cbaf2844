//! What is done with the export of a database: what must be known for it here, and its steps.

use std::fs;
use std::io::Read as _;
use std::path::{Path, PathBuf};

use jiff::Timestamp;

use super::export_task::{Aim, ExportWanted, LoadEnd, Opened};
use super::services::mount;
use crate::jobs::{Engine, LocalServer};
use crate::plan::{DatabaseFacts, Owner, Step, Stop};
use crate::prove::rehearse::DatabaseRehearsal;
use crate::prove::tables::{self, Tables};
use crate::record::{GenerationName, Outcome};
use crate::restore::{DatabaseLoad, Opening, database_refusal};
use crate::system::{accounts, database_facts};
use crate::tools::Existing;
use crate::tools::postgresql::{PostgresqlServer, Programs};

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
        Aim::Load(existing) => {
            let load = DatabaseLoad {
                exported: &exported,
                at: GenerationName::at(now),
                own_program: opening.own_program,
            };
            load_steps(engine, load, *existing)
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

fn load_steps(engine: &Engine, load: DatabaseLoad, existing: Existing) -> Result<Vec<Step>, Stop> {
    match engine {
        Engine::Postgresql(wanted) => {
            // all that the server has, whatever the job exports
            let all = Engine::Postgresql(LocalServer {
                name: None,
                ..wanted.clone()
            });
            let DatabaseFacts::Postgresql {
                server, databases, ..
            } = database_facts(&all)?
            else {
                return Err(not_built());
            };
            let mut full = Vec::new();
            for one in load.exported {
                if databases.contains(&one.database) && !is_empty(&server, &one.database)? {
                    full.push(one.database.clone());
                }
            }
            match database_refusal(&full, existing) {
                Some(stop) => Err(stop),
                None => Ok(load.postgresql(&server)),
            }
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
        Engine::Mariadb(_) => Err(not_built()),
    }
}

fn is_empty(server: &PostgresqlServer, database: &str) -> Result<bool, Stop> {
    tables::is_empty_postgresql(server, database)
        .map_err(|error| Stop::new(Outcome::Failed, error.to_string()))
}

/// What a person should know when a load is over.
pub fn notes(engine: &Engine, at: GenerationName, ended: LoadEnd) -> Vec<String> {
    let (kept, removal) = match engine {
        Engine::Sqlite { .. } => (
            format!("beside it, in a file that ends in `.before-{at}`"),
            "remove it",
        ),
        _ => (
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

fn not_built() -> Stop {
    Stop::new(
        Outcome::NotBuilt,
        "databases of mariadb cannot be loaded into the live server by hayloft yet",
    )
    .advise("`hayloft restore JOB --to DIR` gives the dumps, which mariadb(1) takes: make an empty database first")
}
