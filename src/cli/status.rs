//! `hayloft status`

use super::settings::{Form, Settings, style};
use crate::exit::Exit;
use crate::report::{status_text, to_json_pretty};
use crate::run::overview;
use crate::system::clock::Clock;

/// Lines are made to fit this.
const COLUMNS: usize = 80;

pub fn status(settings: &Settings) -> Exit {
    let shown = || -> Result<Exit, Exit> {
        let config = settings.config()?;
        let store = settings.store(&config)?;
        let facts = overview(&config, &store, settings.clock.now());
        match settings.form {
            Form::Json => println!("{}", to_json_pretty(&facts)),
            Form::Text => print!(
                "{}",
                status_text(&facts, &config.server.time_zone, COLUMNS, style())
            ),
        }
        Ok(if facts.needs_attention() {
            Exit::Trouble
        } else {
            Exit::Well
        })
    };
    shown().unwrap_or_else(|exit| exit)
}
