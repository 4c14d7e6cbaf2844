//! `hayloft generations JOB`

use std::collections::BTreeSet;

use super::arguments::GenerationsArguments;
use super::settings::{Form, Settings, job_named, style};
use crate::exit::Exit;
use crate::keep::{Consent, SpaceMap, order_of_going};
use crate::plan::DriveState;
use crate::record::{Generation, GenerationName};
use crate::report::{GenerationFacts, generations_text, to_json_pretty};
use crate::run::account::Account;
use crate::run::{Books, Retiring, known_hosts, use_of};
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
        consent: Consent::UpToHalf,
    };
    let books = Books {
        store: &store,
        server: &config.server.name,
        job: &job.name,
        landing: &gathered.facts.landing,
    };
    let all = account.whole();
    let looking = Looking::of(wanted.measure, exit == Exit::Well && !all.is_empty());
    let space = looking.space(&books, &all);
    let facts = describe(retiring, all, space.as_ref(), with_manifest.as_ref());
    match settings.form {
        Form::Json => print!("{}", to_json_pretty(&facts)),
        Form::Text => print!(
            "{}",
            generations_text(&facts, now, &config.server.time_zone, style())
        ),
    }
    Ok(exit)
}

/// Where the sizes come from.
enum Looking {
    /// The drive is not there.
    Nowhere,
    /// In the ledger where it tells, else at every file.
    Books,
    EveryFile,
}

impl Looking {
    fn of(measure: bool, is_there: bool) -> Self {
        match (is_there, measure) {
            (false, _) => Self::Nowhere,
            (true, true) => Self::EveryFile,
            (true, false) => Self::Books,
        }
    }

    fn space(&self, books: &Books, generations: &[Generation]) -> Option<SpaceMap> {
        let names = generations.iter().map(|one| one.name).collect();
        let booked = match self {
            Self::Nowhere => return None,
            Self::Books => books.booked(&names),
            Self::EveryFile => None,
        };
        booked.or_else(|| match use_of(books.landing) {
            Ok(measured) => {
                let notes = measured.notes.iter();
                notes.for_each(|note| eprintln!("note: {note}"));
                Some(measured.space)
            }
            Err(words) => {
                eprintln!("note: the sizes could not be measured: {words}");
                None
            }
        })
    }
}

fn describe(
    retiring: Retiring,
    generations: Vec<Generation>,
    space: Option<&SpaceMap>,
    with_manifest: Option<&BTreeSet<GenerationName>>,
) -> Vec<GenerationFacts> {
    let decisions = retiring.decisions(&generations, space).decisions;
    let order = match (retiring.job.cap, space) {
        (Some(_), Some(space)) => order_of_going(&decisions, space, retiring.now),
        _ => Vec::new(),
    };
    let turn = |name| order.iter().position(|going| going.generation == name);
    let facts = generations.into_iter().map(|generation| GenerationFacts {
        alone: space.map(|space| space.alone(generation.name).bytes()),
        shared: space.map(|space| space.shared(generation.name).bytes()),
        has_manifest: with_manifest.map(|names| names.contains(&generation.name)),
        decision: decisions
            .iter()
            .find(|one| one.generation == generation.name)
            .cloned(),
        turn: turn(generation.name).map(|place| place + 1),
        generation,
    });
    facts.collect()
}
