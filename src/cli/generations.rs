//! `hayloft generations JOB`

use std::collections::BTreeSet;

use super::arguments::GenerationsArguments;
use super::settings::{Form, Settings, job_named, style};
use crate::exit::Exit;
use crate::plan::{DriveState, Landing};
use crate::record::{Generation, GenerationName};
use crate::report::{GenerationFacts, generations_text, to_json_pretty};
use crate::run::account::Account;
use crate::run::{Retiring, known_hosts, use_of};
use crate::system::clock::Clock;
use crate::system::{Asked, gather};

pub fn generations(settings: &Settings, wanted: &GenerationsArguments) -> Exit {
    try_generations(settings, wanted).unwrap_or_else(|exit| exit)
}

fn try_generations(settings: &Settings, wanted: &GenerationsArguments) -> Result<Exit, Exit> {
    let config = settings.config()?;
    let job = job_named(&config, &wanted.job)?;
    let store = settings.store(&config)?;
    let known_hosts = known_hosts(&config);
    let now = settings.clock.now();
    let asked = Asked::of(&config, job, &known_hosts, now);
    let mut account = Account::default();
    let mut with_manifest: Option<BTreeSet<GenerationName>> = None;
    let gathered = gather(asked, |listing| {
        account = Account::of_look(&store, asked, listing);
        with_manifest = listing.map(|listing| {
            let whole = account.whole();
            let has = |one: &&Generation| listing.has_manifest(one);
            whole.iter().filter(has).map(|one| one.name).collect()
        });
        (account.whole(), account.leftovers.clone())
    });
    let mut exit = Exit::Well;
    if let DriveState::NotReady(stop) = &gathered.facts.drive {
        eprintln!("note: {}; this is what the record remembers", stop.reason);
        exit = Exit::of(stop.outcome);
    }
    account
        .notes
        .iter()
        .for_each(|note| eprintln!("note: {note}"));
    let retiring = Retiring {
        job,
        config: &config,
        now,
    };
    let facts = describe(
        retiring,
        &gathered.facts.landing,
        account.whole(),
        exit == Exit::Well,
        with_manifest.as_ref(),
    );
    match settings.form {
        Form::Json => print!("{}", to_json_pretty(&facts)),
        Form::Text => print!(
            "{}",
            generations_text(&facts, now, &config.server.time_zone, style())
        ),
    }
    Ok(exit)
}

fn describe(
    retiring: Retiring,
    landing: &Landing,
    generations: Vec<Generation>,
    drive_is_there: bool,
    with_manifest: Option<&BTreeSet<GenerationName>>,
) -> Vec<GenerationFacts> {
    let measured = if drive_is_there && !generations.is_empty() {
        use_of(landing).ok()
    } else {
        None
    };
    let space = measured.map(|tree_use| tree_use.space);
    let decisions = retiring.decisions(&generations, space.as_ref());
    let facts = generations.into_iter().map(|generation| GenerationFacts {
        alone: space
            .as_ref()
            .map(|space| space.alone(generation.name).bytes()),
        shared: space
            .as_ref()
            .map(|space| space.shared(generation.name).bytes()),
        has_manifest: with_manifest.map(|names| names.contains(&generation.name)),
        decision: decisions
            .iter()
            .find(|one| one.generation == generation.name)
            .cloned(),
        generation,
    });
    facts.collect()
}
