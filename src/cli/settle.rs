//! `hayloft settle`: started by the service after a run was cut short, in a process of its own, since the
//! steps that are owed may take long.

use super::run::{Mailing, Session};
use super::settings::{Settings, job_named, trouble};
use super::tell;
use crate::exit::Exit;
use crate::run::settle as cut_short;

pub fn settle(settings: &Settings, job: Option<&str>) -> Exit {
    try_settle(settings, job).unwrap_or_else(|exit| exit)
}

fn try_settle(settings: &Settings, job: Option<&str>) -> Result<Exit, Exit> {
    let config = settings.config()?;
    let job = job.map(|name| job_named(&config, name)).transpose()?;
    let store = settings.store(&config)?;
    let session = Session::begin(settings, &config, &store, Mailing::ByService)
        .map_err(|error| trouble(&error))?;
    let runner = session.runner();
    let found = match job {
        None => cut_short::all(&runner),
        Some(job) => cut_short::one(&runner, &job.name),
    };
    let found = found.map_err(|error| trouble(&error))?;
    for run in &found {
        tell::put(settings, &config, run);
    }
    Ok(if found.is_empty() {
        Exit::Well
    } else {
        Exit::Trouble
    })
}
