//! Tells people: prints and mails the report of a run, mails alarms.

use std::error::Error;

use crate::jobs::{Colour, Config, Diagnostic, MailSettings, Name};
use crate::mail::{MailError, Outbox, is_mailed, notice_message, run_message};
use crate::record::{Outcome, RunRecord, Store, StoreError};
use crate::report::{Mood, Notice, run_report_text, to_json_line};
use crate::run::held_back_alarm;
use crate::system::clock::Clock;

use super::settings::{Form, Settings};

/// The alarm that job files are wrong and the old ones are in force.
const FILES_ALARM: &str = "job-files";

/// Everything that keeps the files from being used, as shown on a terminal without colour.
pub fn mistakes(diagnostics: &[Diagnostic]) -> String {
    let errors = diagnostics.iter().filter(|one| one.is_error());
    let texts: Vec<String> = errors.map(|one| one.render(Colour::Plain)).collect();
    texts.join("\n")
}

/// The words of the alarm: the first of the mistakes.
pub fn wrong_files(mistakes: &str) -> String {
    let first = mistakes.lines().next().unwrap_or_default();
    let first = first.strip_prefix("error: ").unwrap_or(first);
    format!(
        "the job files are wrong, and those read before stay in force; `hayloft check` tells more: {first}"
    )
}

pub fn print(settings: &Settings, config: &Config, run: &RunRecord) {
    match settings.form {
        Form::Text => println!("{}", run_report_text(run, &config.server.time_zone)),
        Form::Json => print!("{}", to_json_line(run)),
    }
}

/// Puts the report into the outbox and leaves the sending to the service.
pub fn put(settings: &Settings, config: &Config, run: &RunRecord) {
    match put_into_outbox(settings, config, run) {
        Ok(_) => {}
        Err(error) => tracing::error!(
            "the report of run {} could not be kept for mailing: {error}",
            run.id
        ),
    }
}

fn put_into_outbox(
    settings: &Settings,
    config: &Config,
    run: &RunRecord,
) -> Result<Option<Outbox>, MailError> {
    let wanted = |mail: &&MailSettings| {
        is_mailed(mail.send, run.outcome.unwrap_or(Outcome::Failed)) || found_something(run)
    };
    let Some(mail) = config.mail.as_ref().filter(wanted) else {
        return Ok(None);
    };
    let now = settings.clock.now();
    let message = run_message(run, mail, &config.server.time_zone, now)?;
    let outbox = Outbox::open(&config.server.state_dir)?;
    outbox.put(&message, now)?;
    Ok(Some(outbox))
}

/// Damage is told also where all of it was put right: the disk may have more.
fn found_something(run: &RunRecord) -> bool {
    run.proofs.iter().any(|proof| proof.found.all() > 0)
}

/// Puts the report into the outbox and tries to send what is due there. What cannot be sent stays and shows
/// in the status, so trouble here is told and no more.
pub fn mail(settings: &Settings, config: &Config, run: &RunRecord) {
    let send = || -> Result<(), MailError> {
        let outbox = put_into_outbox(settings, config, run)?;
        let (Some(outbox), Some(mail)) = (outbox, &config.mail) else {
            return Ok(());
        };
        let report = outbox.deliver_due(mail, settings.clock.now())?;
        if let Some(error) = report.last_error.filter(|_| report.kept > 0) {
            eprintln!("note: the report could not be mailed yet and will be tried again: {error}");
        }
        Ok(())
    };
    if let Err(error) = send() {
        eprintln!("warning: the report could not be mailed: {error}");
    }
}

/// Opens the record for work; what was found wrong with it is logged, and mailed if nobody was told yet.
///
/// # Errors
/// When it cannot be opened.
pub fn open_store(settings: &Settings, config: &Config) -> Result<Store, StoreError> {
    let now = settings.clock.now();
    let (store, notes) = Store::open_at(&config.server.state_dir, now)?;
    for note in &notes {
        tracing::warn!("{note}");
    }
    damage(settings, config, &store)?;
    Ok(store)
}

/// Mails that the record was damaged, if nobody was told yet.
///
/// # Errors
/// When the record cannot be read or written.
pub fn damage(settings: &Settings, config: &Config, store: &Store) -> Result<(), StoreError> {
    let now = settings.clock.now();
    if let Some(alarm) = store.alarm(Store::DAMAGED_ALARM)?
        && alarm.last_told.is_none()
    {
        let notice = Notice {
            server: config.server.name.clone(),
            key: alarm.key,
            matter: "the record of runs was DAMAGED and was begun anew".to_owned(),
            mood: Mood::Bad,
            reason: alarm.words,
            advice: vec![
                "run `hayloft check --rebuild`: the drives tell what lies on them".to_owned(),
                "look whether the disk of the state folder is full or failing".to_owned(),
            ],
            found: Vec::new(),
        };
        match put_notice(settings, config, &notice) {
            Ok(()) => store.told_alarm(Store::DAMAGED_ALARM, now)?,
            Err(error) => tracing::error!("the alarm could not be kept for mailing: {error}"),
        }
    }
    Ok(())
}

/// Mails that the cap would retire too much of a job at once, if nobody was told yet.
///
/// # Errors
/// When the record cannot be read or written.
pub fn held_back(
    settings: &Settings,
    config: &Config,
    store: &Store,
    job: &Name,
) -> Result<(), StoreError> {
    let key = held_back_alarm(job);
    let open = store.alarm(&key)?;
    let Some(alarm) = open.filter(|alarm| alarm.last_told.is_none()) else {
        return Ok(());
    };
    let notice = Notice {
        server: config.server.name.clone(),
        key: alarm.key,
        matter: format!("{job} is OVER ITS CAP, and most of it would have to go"),
        mood: Mood::Bad,
        reason: alarm.words,
        advice: vec![
            "nothing was retired by the cap, and nothing will be until you decide".to_owned(),
            format!("see what would go: `hayloft run {job} --dry-run --accept-retiring`"),
        ],
        found: Vec::new(),
    };
    match put_notice(settings, config, &notice) {
        Ok(()) => store.told_alarm(&key, settings.clock.now()),
        Err(error) => {
            tracing::error!("the alarm could not be kept for mailing: {error}");
            Ok(())
        }
    }
}

/// Raises the alarm that the files are wrong and mails it, unless that was done before a restart.
///
/// # Errors
/// When it can be neither recorded nor kept for mailing.
pub fn files_are_wrong(
    settings: &Settings,
    config: &Config,
    mistakes: &str,
) -> Result<(), Box<dyn Error>> {
    let now = settings.clock.now();
    let store = open_store(settings, config)?;
    let words = wrong_files(mistakes);
    let open = store.alarm(FILES_ALARM)?;
    if open.is_some_and(|alarm| alarm.words == words && alarm.last_told.is_some()) {
        return Ok(());
    }
    store.raise_alarm(FILES_ALARM, &words, now)?;
    let notice = Notice {
        server: config.server.name.clone(),
        key: FILES_ALARM.to_owned(),
        matter: "the job files are WRONG".to_owned(),
        mood: Mood::Bad,
        reason:
            "They were changed, and what is in them now cannot be used. Those read before stay in \
                 force, and jobs run by them."
                .to_owned(),
        advice: vec![
            "mend the files; they are read again by themselves".to_owned(),
            "`hayloft check` shows whether they are right".to_owned(),
        ],
        found: mistakes.lines().map(ToOwned::to_owned).collect(),
    };
    put_notice(settings, config, &notice)?;
    store.told_alarm(FILES_ALARM, now)?;
    Ok(())
}

/// Clears that alarm, if it was raised, and mails that all is right again.
///
/// # Errors
/// When it can be neither recorded nor kept for mailing.
pub fn files_are_right(settings: &Settings, config: &Config) -> Result<(), Box<dyn Error>> {
    if !open_store(settings, config)?.clear_alarm(FILES_ALARM)? {
        return Ok(());
    }
    let jobs = config.jobs.len();
    let notice = Notice {
        server: config.server.name.clone(),
        key: FILES_ALARM.to_owned(),
        matter: "the job files are right again".to_owned(),
        mood: Mood::Good,
        reason: format!(
            "They were read and are in force: {jobs} {}.",
            if jobs == 1 { "job" } else { "jobs" }
        ),
        advice: Vec::new(),
        found: Vec::new(),
    };
    Ok(put_notice(settings, config, &notice)?)
}

/// Puts a notice into the outbox; without `[mail]`, it stays with the status and the log.
fn put_notice(settings: &Settings, config: &Config, notice: &Notice) -> Result<(), MailError> {
    let Some(mail) = &config.mail else {
        return Ok(());
    };
    let now = settings.clock.now();
    let message = notice_message(notice, mail, now)?;
    Outbox::open(&config.server.state_dir)?.put(&message, now)
}
