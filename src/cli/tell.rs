//! After a run: prints its report and mails it.

use crate::jobs::{Config, MailSettings};
use crate::mail::{MailError, Outbox, is_mailed, run_message};
use crate::record::{Outcome, RunRecord};
use crate::report::{run_report_text, to_json_line};
use crate::system::clock::Clock;

use super::settings::{Form, Settings};

pub fn print(settings: &Settings, config: &Config, run: &RunRecord) {
    match settings.form {
        Form::Text => println!("{}", run_report_text(run, &config.server.time_zone)),
        Form::Json => println!("{}", to_json_line(run)),
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
    let wanted =
        |mail: &&MailSettings| is_mailed(mail.send, run.outcome.unwrap_or(Outcome::Failed));
    let Some(mail) = config.mail.as_ref().filter(wanted) else {
        return Ok(None);
    };
    let now = settings.clock.now();
    let message = run_message(run, mail, &config.server.time_zone, now)?;
    let outbox = Outbox::open(&config.server.state_dir)?;
    outbox.put(&message, now)?;
    Ok(Some(outbox))
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
