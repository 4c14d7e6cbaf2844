//! `hayloft check`

use std::collections::BTreeMap;
use std::os::unix::ffi::OsStrExt;

use super::arguments::CheckArguments;
use super::settings::{Form, Settings, error_colour, style};
use super::{check_secret, rebuild};
use crate::exit::Exit;
use crate::jobs::{Config, Diagnostic, Drive, DrivePlace, Job, Loaded, Source, SshHost, load};
use crate::keep::Consent;
use crate::plan::{DriveState, Landing, SourceState, Stop, not_built, risks};
use crate::record::{Form as CopyForm, Outcome, State, Store};
use crate::report::{
    CheckFacts, CheckedDrive, CheckedHost, CheckedJob, check_text, safe_name, to_json_pretty,
};
use crate::run::account::Account;
use crate::run::{Books, Retiring, held_back_words, known_hosts};
use crate::system::clock::Clock;
use crate::system::{Asked, Pinning, gather, greet, risk_facts};

const STATE_ADVICE: &str =
    "no run can be recorded: see that the folder of `state_dir` can be made and written, as root";

pub fn check(settings: &Settings, wanted: &CheckArguments) -> Exit {
    let Loaded { config, warnings } = match load(&settings.folder) {
        Ok(loaded) => loaded,
        Err(diagnostics) => return wrong_files(settings, &diagnostics),
    };
    let rebuilt = if wanted.rebuild {
        rebuild::rebuild(settings, &config)
    } else {
        Ok(Vec::new())
    };
    let rebuilt = match rebuilt {
        Ok(rebuilt) => rebuilt,
        Err(exit) => return exit,
    };
    let facts = facts(settings, &config, warnings, rebuilt);
    match settings.form {
        Form::Json => print!("{}", to_json_pretty(&facts)),
        Form::Text => {
            show_diagnostics(&facts.diagnostics);
            print!("{}", check_text(&facts, style()));
        }
    }
    facts
        .stops()
        .map(|stop| Exit::of(stop.outcome))
        .fold(Exit::Well, Exit::and)
}

fn wrong_files(settings: &Settings, diagnostics: &[Diagnostic]) -> Exit {
    match settings.form {
        Form::Json => print!(
            "{}",
            to_json_pretty(&serde_json::json!({ "diagnostics": diagnostics }))
        ),
        Form::Text => {
            show_diagnostics(diagnostics);
            let errors = diagnostics.iter().filter(|one| one.is_error()).count();
            eprintln!(
                "{errors} {} in `{}`",
                if errors == 1 { "mistake" } else { "mistakes" },
                safe_name(settings.folder.as_os_str().as_bytes())
            );
        }
    }
    Exit::Usage
}

fn show_diagnostics(diagnostics: &[Diagnostic]) {
    for diagnostic in diagnostics {
        eprintln!("{}", diagnostic.render(error_colour()));
    }
}

fn facts(
    settings: &Settings,
    config: &Config,
    diagnostics: Vec<Diagnostic>,
    rebuilt: Vec<String>,
) -> CheckFacts {
    // before anything else asks a host: this is what pins its key, below the state folder
    let (store, state) = match Store::open(&config.server.state_dir) {
        Ok((store, _)) => (Some(store), None),
        Err(error) => {
            let stop = Stop::new(Outcome::Failed, error.to_string()).advise(STATE_ADVICE);
            (None, Some(stop))
        }
    };
    let hosts = hosts(config);
    let mut drives: BTreeMap<_, _> = BTreeMap::new();
    let mut jobs = Vec::new();
    for job in config.jobs.values() {
        let (drive, checked) = look(settings, config, store.as_ref(), job);
        drives.entry(job.drive.clone()).or_insert(drive);
        jobs.push(checked);
    }
    CheckFacts {
        diagnostics,
        risks: risks(config, &risk_facts(config)),
        not_built: not_built(config),
        state,
        drives: drives.into_values().collect(),
        hosts,
        jobs,
        rebuilt,
    }
}

fn hosts(config: &Config) -> Vec<CheckedHost> {
    let of_drive = |drive: &Drive| match &drive.place {
        DrivePlace::Ssh { host, .. } => Some(host.clone()),
        DrivePlace::Local { .. } => None,
    };
    let of_job = |job: &Job| match &job.source {
        Some(Source::Ssh { host, .. }) => Some(host.clone()),
        _ => None,
    };
    let mut hosts: Vec<SshHost> = config
        .drives
        .values()
        .filter_map(of_drive)
        .chain(config.jobs.values().filter_map(of_job))
        .collect();
    hosts.sort_by_key(ToString::to_string);
    hosts.dedup();
    let known_hosts = known_hosts(config);
    let found = hosts.iter().map(|host| match greet(host, &known_hosts) {
        Ok(found) => CheckedHost {
            host: found.host,
            fingerprints: found.fingerprints,
            pinned_now: found.pinning == Pinning::Now,
            stop: None,
        },
        Err(stop) => CheckedHost {
            host: host.to_string(),
            fingerprints: Vec::new(),
            pinned_now: false,
            stop: Some(stop),
        },
    });
    found.collect()
}

fn look(
    settings: &Settings,
    config: &Config,
    store: Option<&Store>,
    job: &Job,
) -> (CheckedDrive, CheckedJob) {
    let known_hosts = known_hosts(config);
    let drive = config.drive_of(job);
    let asked = Asked::of(config, job, &known_hosts, settings.clock.now());
    let mut account = Account::default();
    let gathered = gather(asked, |listing| {
        account = Account::of_drive(asked, listing);
        (account.whole(), Vec::new())
    });
    let facts = &gathered.facts;
    let (stop, words) = match &facts.drive {
        DriveState::Ready(space) => (
            None,
            format!("ready, {} free", crate::report::bytes(space.free)),
        ),
        DriveState::NotReady(stop) => (Some(stop.clone()), String::new()),
    };
    let checked = CheckedDrive {
        drive: drive.name.clone(),
        address: drive.address(),
        stop,
        words,
    };
    let mut stops: Vec<Stop> = match &facts.source {
        SourceState::Missing(stop) => vec![stop.clone()],
        SourceState::Readable => Vec::new(),
    };
    stops.extend(crate::plan::standing_stops(job, drive, facts));
    let newest = facts.generations.first();
    let secret = check_secret::secret(job, &gathered, newest).unwrap_or_else(|stop| {
        stops.push(stop);
        None
    });
    let job = CheckedJob {
        job: job.name.clone(),
        secret,
        about: job.about.clone(),
        when: job.schedule.as_ref().map_or_else(
            || "only by hand".to_owned(),
            crate::schedule::Crontab::in_words,
        ),
        retires: store.and_then(|store| {
            let retiring = Retiring {
                job,
                config,
                now: settings.clock.now(),
                consent: Consent::UpToHalf,
            };
            would_retire(retiring, store, &facts.landing)
        }),
        stops,
    };
    (checked, job)
}

/// What the next run would retire by the files as they are now, as far as the record tells without a look at the drive.
fn would_retire(retiring: Retiring, store: &Store, landing: &Landing) -> Option<String> {
    let (job, server) = (&retiring.job.name, &retiring.config.server.name);
    let mut generations = store.generations(&landing.drive, server, job).ok()?;
    generations.retain(|one| one.state == State::Whole && one.form != CopyForm::Current);
    let books = Books {
        store,
        server,
        job,
        landing,
    };
    let space = books.booked(&generations.iter().map(|one| one.name).collect());
    let decided = retiring.decisions(&generations, space.as_ref());
    if let Some(held) = decided.held_back {
        return Some(held_back_words(job, held));
    }
    let gone = decided.decisions.iter().filter(|one| !one.kept).count();
    (gone > 0).then(|| {
        let of = generations.len();
        format!("the next run retires {gone} of {of} generations; `hayloft generations {job}` shows which")
    })
}
