//! `hayloft verify`

use super::arguments::VerifyArguments;
use super::run::{Mailing, Session};
use super::settings::{Settings, job_named, trouble};
use super::tell;
use crate::exit::Exit;
use crate::jobs::{Config, Drive, Name, Reread};
use crate::report::safe_line;
use crate::run::{Mending, VerifyWanted, Which};
use jiff::Timestamp;

pub fn verify(settings: &Settings, wanted: &VerifyArguments) -> Exit {
    try_verify(settings, wanted).unwrap_or_else(|exit| exit)
}

fn try_verify(settings: &Settings, wanted: &VerifyArguments) -> Result<Exit, Exit> {
    let config = settings.config()?;
    if let Some(drive) = &wanted.slice {
        return slice(settings, &config, drive, wanted.planned);
    }
    let job = wanted.job.as_deref().unwrap_or_default();
    let job = job_named(&config, job)?;
    let store = settings.store(&config)?;
    tell::damage(settings, &config, &store).map_err(|error| trouble(&error))?;
    let session = Session::begin(settings, &config, &store, Mailing::AtOnce)
        .map_err(|error| trouble(&error))?;
    let wish = VerifyWanted {
        job,
        which: match (wanted.generation, wanted.all) {
            (Some(name), _) => Which::One(name),
            (None, true) => Which::All,
            (None, false) => Which::Newest,
        },
        sample: wanted.sample,
        mending: if wanted.mend {
            Mending::Do
        } else {
            Mending::Offer
        },
        seed: wanted.seed.clone(),
    };
    let run = session
        .runner()
        .verify(&wish)
        .map_err(|error| trouble(&error))?;
    Ok(session.tell(&run))
}

/// The next part of one drive, or of each that is re-read.
fn slice(
    settings: &Settings,
    config: &Config,
    drive: &str,
    planned: Option<Timestamp>,
) -> Result<Exit, Exit> {
    let drives = drives_named(config, drive)?;
    let store = settings.store(config)?;
    tell::damage(settings, config, &store).map_err(|error| trouble(&error))?;
    let mailing = match planned {
        Some(_) => Mailing::ByService,
        None => Mailing::AtOnce,
    };
    let session =
        Session::begin(settings, config, &store, mailing).map_err(|error| trouble(&error))?;
    let mut exit = Exit::Well;
    for (drive, reread) in drives {
        let runs = session
            .runner()
            .slice(drive, reread, planned)
            .map_err(|error| trouble(&error))?;
        for run in &runs {
            exit = exit.and(session.tell(run));
        }
        if session.signal.is_set() {
            break;
        }
    }
    Ok(exit)
}

fn drives_named<'c>(config: &'c Config, text: &str) -> Result<Vec<(&'c Drive, &'c Reread)>, Exit> {
    let all = || {
        let drives = config.drives.values();
        drives.filter_map(|drive| Some((drive, drive.reread.as_ref()?)))
    };
    let known = |name: &Name| config.drives.contains_key(name);
    let named = Name::parse(text).ok().filter(known);
    let chosen: Vec<_> = match (&named, text) {
        (_, "") => all().collect(),
        (Some(name), _) => all().filter(|(drive, _)| drive.name == *name).collect(),
        (None, _) => Vec::new(),
    };
    if !chosen.is_empty() {
        return Ok(chosen);
    }
    match (named, text) {
        (Some(name), _) => eprintln!("error: drive `{name}` has no `reread` in server.toml"),
        (None, "") => eprintln!("error: no drive in server.toml has a `reread`"),
        (None, text) => eprintln!("error: there is no drive `{}`", safe_line(text)),
    }
    eprintln!("such as: reread = {{ within = \"3 months\", rate = \"40 MB\" }}");
    Err(Exit::Usage)
}
