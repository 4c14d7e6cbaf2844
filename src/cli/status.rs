//! `hayloft status`

use super::settings::{Form, Settings, style, tell_wrong_files};
use super::{files_in_force, tell};
use crate::exit::Exit;
use crate::jobs::{Config, load};
use crate::report::{status_text, to_json_pretty};
use crate::run::overview;
use crate::system::clock::Clock;

/// Lines are made to fit this.
const COLUMNS: usize = 80;

pub fn status(settings: &Settings) -> Exit {
    let shown = || -> Result<Exit, Exit> {
        let (config, trouble) = config(settings)?;
        let store = settings.store(&config)?;
        let mut facts = overview(&config, &store, settings.clock.now());
        // the service tells of it too, once it has looked
        if let Some(words) = trouble.filter(|words| !facts.attention.contains(words)) {
            facts.attention.insert(0, words);
        }
        match settings.form {
            Form::Json => print!("{}", to_json_pretty(&facts)),
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

/// The files, or those that stay in force while they are wrong, and what is wrong.
fn config(settings: &Settings) -> Result<(Config, Option<String>), Exit> {
    let diagnostics = match load(&settings.folder) {
        Ok(loaded) => return Ok((loaded.config, None)),
        Err(diagnostics) => diagnostics,
    };
    match files_in_force::kept_for(&settings.folder) {
        Some(config) => {
            let words = tell::wrong_files(&tell::mistakes(&diagnostics));
            Ok((config, Some(words)))
        }
        None => Err(tell_wrong_files(&diagnostics)),
    }
}
