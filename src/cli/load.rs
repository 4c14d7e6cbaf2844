//! `hayloft restore JOB --load` and `--entry`: an export back into its service, all of it or some entries.

use super::arguments::RestoreArguments;
use super::dry_run;
use super::restore::refused;
use super::run::{Mailing, Session};
use super::secret::secret;
use super::settings::{Form, Settings, trouble};
use crate::exit::Exit;
use crate::jobs::{Config, Job, Kind};
use crate::ldif::Dn;
use crate::report::{EntriesFacts, entries_text, safe_line, to_json_line};
use crate::run::{Aim, EntriesFound, EntriesWanted, EntryExtent, ExportWanted};
use crate::tools::Existing;

/// # Errors
/// What could not be done, after telling.
pub fn load(
    settings: &Settings,
    config: &Config,
    job: &Job,
    wanted: &RestoreArguments,
) -> Result<Exit, Exit> {
    let secret = secret(job, &wanted.secret)?;
    let store = settings.store(config)?;
    let session = Session::begin(settings, config, &store, Mailing::AtOnce)
        .map_err(|error| trouble(&error))?;
    let existing = if wanted.replace {
        Existing::Replace
    } else {
        Existing::Keep
    };
    let wish = ExportWanted {
        job,
        from: wanted.from,
        opener: secret.opener.clone(),
        aim: Aim::Load {
            existing,
            keeping: config
                .server
                .state_dir
                .join("replaced")
                .join(job.name.as_str()),
        },
    };
    if wanted.dry_run {
        let plan = session.runner().plan_export(&wish);
        return plan
            .map(|plan| dry_run::show_load(settings, config, &plan, service_of(job)))
            .map_err(|stop| refused(&stop));
    }
    let run = session
        .runner()
        .with_export(&wish)
        .map_err(|error| trouble(&error))?;
    Ok(session.tell(&run))
}

/// Entries of a directory: the difference first, and only with the explicit word the change.
///
/// # Errors
/// What could not be done, after telling.
pub fn entries(
    settings: &Settings,
    config: &Config,
    job: &Job,
    wanted: &RestoreArguments,
    dn: &str,
) -> Result<Exit, Exit> {
    let dn = Dn::parse(dn).map_err(|error| {
        eprintln!("error: `{}` is no name of an entry: {error}", safe_line(dn));
        Exit::Usage
    })?;
    let secret = secret(job, &wanted.secret)?;
    let store = settings.store(config)?;
    let session = Session::begin(settings, config, &store, Mailing::AtOnce)
        .map_err(|error| trouble(&error))?;
    let wish = EntriesWanted {
        job,
        from: wanted.from,
        opener: secret.opener.clone(),
        dn,
        extent: if wanted.service.subtree {
            EntryExtent::Subtree
        } else {
            EntryExtent::One
        },
    };
    let runner = session.runner();
    let found = runner
        .compare_entries(&wish)
        .map_err(|stop| refused(&stop))?;
    show(settings, job, &found);
    if found.changes.is_empty() {
        return Ok(Exit::Well);
    }
    if wanted.dry_run || !wanted.replace {
        eprintln!("nothing was changed; `--replace` brings them back");
        return Ok(Exit::Well);
    }
    let run = runner
        .apply_entries(&wish, &found)
        .map_err(|error| trouble(&error))?;
    Ok(session.tell(&run))
}

fn show(settings: &Settings, job: &Job, found: &EntriesFound) {
    let facts = EntriesFacts {
        job: job.name.clone(),
        generation: found.generation,
        entries: found.entries.clone(),
    };
    match settings.form {
        Form::Json => print!("{}", to_json_line(&facts)),
        Form::Text => print!("{}", entries_text(&facts)),
    }
}

fn service_of(job: &Job) -> &str {
    match &job.kind {
        Kind::Directory(directory) => &directory.service,
        kind => kind.name().word(),
    }
}
