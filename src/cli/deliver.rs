//! `hayloft deliver`: one pass over the outbox, started by the service.

use super::settings::{Settings, trouble};
use crate::exit::Exit;
use crate::mail::Outbox;
use crate::system::clock::Clock;

pub fn deliver(settings: &Settings) -> Exit {
    let config = match settings.config() {
        Ok(config) => config,
        Err(exit) => return exit,
    };
    let Some(mail) = &config.mail else {
        return Exit::Well;
    };
    let pass = Outbox::open(&config.server.state_dir)
        .and_then(|outbox| outbox.deliver_due(mail, settings.clock.now()));
    match pass {
        Ok(report) if report.kept == 0 && report.given_up == 0 => Exit::Well,
        Ok(report) => {
            if let Some(error) = report.last_error {
                eprintln!("note: {error}");
            }
            Exit::Trouble
        }
        Err(error) => trouble(&error),
    }
}
