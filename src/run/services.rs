//! The services whose exports can be loaded and rehearsed: for each, what is looked at and planned.

use std::fs;
use std::io;
use std::path::Path;

use jiff::Timestamp;

use super::database_service::{database_steps, notes};
use super::export_task::{Aim, ExportWanted, LoadEnd, Opened};
use super::members::entries;
use crate::jobs::{CONFIG_DATABASE, Directory, Engine, Job, Kind};
use crate::ldif::Dn;
use crate::plan::{
    Act, Argv, DatabasePlace, DirectoryFacts, Holds, Part, Pipeline, Plan, ServiceFacts, Step, Stop,
};
use crate::prove::rehearse::{DirectoryRehearsal, config_member, config_step};
use crate::record::{GenerationName, Outcome};
use crate::restore::{DirectoryLoad, Opening, in_order, plan_of, refusal};
use crate::system::{service_facts, service_folder};
use crate::tools::files;
use crate::tools::slapd_config::{self, Configured};

/// A service of this server, looked at.
pub enum Service<'a> {
    Directory {
        directory: &'a Directory,
        facts: DirectoryFacts,
    },
    Database(&'a Engine),
}

impl<'a> Service<'a> {
    /// # Errors
    /// When the job exports none, or the service is not to be found here.
    pub fn of(job: &'a Job) -> Result<Self, Stop> {
        if let Kind::Database { engine, .. } = &job.kind {
            return Ok(Self::Database(engine));
        }
        if let (Kind::Directory(directory), ServiceFacts::Directory(facts)) =
            (&job.kind, service_facts(&job.kind)?)
        {
            return Ok(Self::Directory { directory, facts });
        }
        let kind = job.kind.name();
        let reason = format!(
            "job `{}` is of kind `{kind}`, which has no service",
            job.name
        );
        Err(Stop::new(Outcome::Failed, reason)
            .advise("`hayloft restore JOB --to DIR` brings its files back"))
    }

    /// What is read besides the export, before it is planned what is done with it.
    pub fn first_steps(&self) -> Option<Step> {
        match self {
            Self::Directory { directory, facts } => config_step(directory, facts),
            Self::Database(_) => None,
        }
    }

    /// # Errors
    /// Why it cannot be done.
    pub fn plan(
        &self,
        wanted: &ExportWanted,
        opening: &Opening,
        opened: &Opened,
        now: Timestamp,
    ) -> Result<Plan, Stop> {
        let (directory, facts) = match self {
            Self::Directory { directory, facts } => (directory, facts),
            Self::Database(engine) => {
                let steps = database_steps(engine, wanted, opening, opened, now)?;
                return Ok(plan_of(opening, now, steps));
            }
        };
        let configured = configured(directory, opened)?;
        let steps = match &wanted.aim {
            Aim::Load { existing, .. } => {
                let places = places(directory, &configured)?;
                if let Some(stop) = refusal(&places, *existing) {
                    return Err(stop);
                }
                load(directory, facts, &places, opening, now).steps()
            }
            Aim::Rehearse { folder, most } => {
                let mut steps = mount(folder, *most).to_vec();
                let rehearsal = DirectoryRehearsal {
                    directory,
                    facts,
                    folder,
                    folders: configured.len(),
                };
                steps.extend(rehearsal.steps());
                steps
            }
        };
        Ok(plan_of(opening, now, steps))
    }

    /// What a person should know when it is over.
    pub fn notes(wanted: &ExportWanted, plan: &Plan, ended: LoadEnd) -> Vec<String> {
        let Aim::Load { keeping, .. } = &wanted.aim else {
            return Vec::new();
        };
        let at = GenerationName::at(plan.at);
        if let Kind::Database { engine, .. } = &wanted.job.kind {
            return notes(engine, at, keeping, ended);
        }
        vec![match ended {
            LoadEnd::Loaded => format!(
                "what the service held before lies beside it, in folders that end in `.before-{at}`: remove them once all is as it should be"
            ),
            LoadEnd::PutBack => format!(
                "the service is as it was; what had been loaded, if anything, lies in folders that end in `.failed-{at}`"
            ),
            LoadEnd::NotPutBack => format!(
                "the service could NOT be put back as it was: what it held lies in folders that end in `.before-{at}`; hayloft tries once more at its next start"
            ),
        }]
    }
}

/// Where a rehearsal takes place.
///
/// It hides the folder above it, where the sockets of live services lie: what is rehearsed must not reach them.
pub(super) fn mount(folder: &Path, most: Option<u64>) -> [Step; 2] {
    let step = |words: &str, argv: Argv| {
        Step::new(Part::Rehearse, words, Act::Tool(Pipeline::plain(argv)))
    };
    let above = folder.parent().unwrap_or(folder);
    let mount = files::mount_memory(above, most);
    [
        step("mount a place of its own, in memory", mount),
        step("make its folder", files::make_open_folder(folder)),
    ]
}

fn load<'a>(
    directory: &'a Directory,
    facts: &'a DirectoryFacts,
    places: &'a [DatabasePlace],
    opening: &'a Opening,
    now: Timestamp,
) -> DirectoryLoad<'a> {
    DirectoryLoad {
        directory,
        facts,
        places,
        at: GenerationName::at(now),
        own_program: opening.own_program,
    }
}

/// The databases of the configuration that goes with the export.
fn configured(directory: &Directory, opened: &Opened) -> Result<Vec<Configured>, Stop> {
    let name = config_member(directory);
    let failed = |error: io::Error| Stop::new(Outcome::Failed, format!("`{name}`: {error}"));
    let kept = opened.members.iter().find(|kept| kept.told.name == name);
    let kept = kept.ok_or_else(|| {
        let reason = format!("there is no `{name}` in this export");
        Stop::new(Outcome::Failed, reason)
            .advise("it was made when the job file named other databases: name those again")
    })?;
    let mut found = Vec::new();
    for entry in entries(kept).map_err(failed)?.entries() {
        let entry = entry.map_err(|error| failed(io::Error::other(error)))?;
        found.extend(slapd_config::database(&entry));
    }
    Ok(found)
}

fn places(directory: &Directory, configured: &[Configured]) -> Result<Vec<DatabasePlace>, Stop> {
    let place = |name: &String| {
        let folder = if name == CONFIG_DATABASE {
            directory.config.clone()
        } else {
            folder_of(name, configured)?
        };
        Ok(DatabasePlace {
            database: name.clone(),
            holds: holds(&folder)?,
            folder,
        })
    };
    let places: Result<Vec<_>, Stop> = directory.databases.iter().map(place).collect();
    let places = places?;
    for (number, place) in places.iter().enumerate() {
        service_folder::check(&place.folder)?;
        if places[..number]
            .iter()
            .any(|one| one.folder == place.folder)
        {
            let reason = format!("two databases lie in `{}`", place.folder.display());
            return Err(Stop::new(Outcome::Failed, reason).advise("nothing was changed"));
        }
    }
    Ok(in_order(places))
}

fn folder_of(suffix: &str, configured: &[Configured]) -> Result<std::path::PathBuf, Stop> {
    let wanted = Dn::parse(suffix).ok();
    let is_it = |one: &&Configured| wanted.is_some() && one.suffix == wanted;
    let found = configured.iter().find(is_it);
    // without a slash at its end
    found
        .map(|one| one.folder.components().collect())
        .ok_or_else(|| {
            let reason = format!("the configuration has no database `{suffix}` with a folder");
            Stop::new(Outcome::Failed, reason)
                .advise("nothing was changed; export `config` as well, or make the database first")
        })
}

fn holds(folder: &Path) -> Result<Holds, Stop> {
    match fs::read_dir(folder).map(|mut entries| entries.next()) {
        Ok(Some(_)) => Ok(Holds::Data),
        Ok(None) => Ok(Holds::Nothing),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(Holds::Nothing),
        Err(error) => {
            let reason = format!("cannot look into `{}`: {error}", folder.display());
            Err(Stop::new(Outcome::Failed, reason).advise("nothing was changed"))
        }
    }
}
