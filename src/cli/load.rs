//! `hayloft restore JOB --load`: an export back into its service.

use super::arguments::RestoreArguments;
use super::run::{Mailing, Session};
use super::secret::secret;
use super::settings::{Settings, trouble};
use crate::exit::Exit;
use crate::jobs::{Config, Job};
use crate::run::{Aim, ExportWanted};
use crate::tools::Existing;

/// # Errors
/// What could not be done, after telling.
pub fn load(
    settings: &Settings,
    config: &Config,
    job: &Job,
    wanted: &RestoreArguments,
) -> Result<Exit, Exit> {
    let existing = if wanted.replace {
        Existing::Replace
    } else {
        Existing::Keep
    };
    with_export(settings, config, job, wanted, Aim::Load(existing))
}

fn with_export(
    settings: &Settings,
    config: &Config,
    job: &Job,
    wanted: &RestoreArguments,
    aim: Aim,
) -> Result<Exit, Exit> {
    let secret = secret(job, &wanted.secret)?;
    let store = settings.store(config)?;
    let session = Session::begin(settings, config, &store, Mailing::AtOnce)
        .map_err(|error| trouble(&error))?;
    let wish = ExportWanted {
        job,
        from: wanted.from,
        opener: secret.opener.clone(),
        aim,
    };
    let run = session
        .runner()
        .with_export(&wish)
        .map_err(|error| trouble(&error))?;
    Ok(session.tell(&run))
}
