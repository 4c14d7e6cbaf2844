//! `hayloft verify`

use super::arguments::VerifyArguments;
use super::run::{Mailing, Session};
use super::settings::{Settings, job_named, trouble};
use super::tell;
use crate::exit::Exit;
use crate::run::{VerifyWanted, Which};

pub fn verify(settings: &Settings, wanted: &VerifyArguments) -> Exit {
    try_verify(settings, wanted).unwrap_or_else(|exit| exit)
}

fn try_verify(settings: &Settings, wanted: &VerifyArguments) -> Result<Exit, Exit> {
    let config = settings.config()?;
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
        seed: wanted.seed.clone(),
    };
    let run = session
        .runner()
        .verify(&wish)
        .map_err(|error| trouble(&error))?;
    Ok(session.tell(&run))
}
