//! `hayloft check --rebuild`: the record and the drives' catalogues, each from the other and from what lies there.

use super::settings::{Settings, trouble};
use crate::exit::Exit;
use crate::jobs::{Config, Job};
use crate::plan::DriveState;
use crate::record::{State, Store};
use crate::run::account::Account;
use crate::run::catalogue_keeper::CatalogueKeeper;
use crate::run::{known_hosts, lock_job};
use crate::system::clock::Clock;
use crate::system::{Asked, gather};

/// Gives a line for each job.
///
/// # Errors
/// [`Exit::Trouble`] when the record cannot be opened, after telling.
pub fn rebuild(settings: &Settings, config: &Config) -> Result<Vec<String>, Exit> {
    let store = settings.store(config)?;
    let built = |job: &&Job| job.kind.name().is_built();
    let lines = config
        .jobs
        .values()
        .filter(built)
        .map(|job| one_job(settings, config, &store, job))
        .collect();
    store
        .clear_alarm(Store::DAMAGED_ALARM)
        .map_err(|error| trouble(&error))?;
    Ok(lines)
}

fn one_job(settings: &Settings, config: &Config, store: &Store, job: &Job) -> String {
    let name = &job.name;
    let _lock = match lock_job(&config.server.state_dir, name, "rebuild") {
        Ok(lock) => lock,
        Err(error) => return format!("{name}: left alone: {error}"),
    };
    let known_hosts = known_hosts(config);
    let asked = Asked::of(config, job, &known_hosts, settings.clock.now());
    let mut account = Account::default();
    let gathered = gather(asked, |listing| {
        account = Account::of_run(store, asked, listing);
        (account.whole(), account.leftovers.clone())
    });
    if let DriveState::NotReady(stop) = &gathered.facts.drive {
        return format!("{name}: left alone: {}", stop.reason);
    }
    let count = account
        .known
        .iter()
        .filter(|one| one.state != State::Retired)
        .count();
    let keeper = CatalogueKeeper {
        store,
        clock: &settings.clock,
        known: account.known,
        server: config.server.name.clone(),
        run: String::new(),
        sources: Vec::new(),
    };
    if count > 0
        && let Err(error) = keeper.write_lists(&gathered.facts.landing, gathered.held.as_ref())
    {
        return format!("{name}: the catalogue could not be written: {error}");
    }
    let notes = if account.notes.is_empty() {
        String::new()
    } else {
        format!("; {}", account.notes.join("; "))
    };
    format!(
        "{name}: {count} {} in both lists{notes}",
        if count == 1 {
            "generation"
        } else {
            "generations"
        }
    )
}
