//! `hayloft forecast`

use super::arguments::ForecastArguments;
use super::settings::{Form, Settings, drive_named, style, trouble};
use crate::exit::Exit;
use crate::report::{forecast_text, to_json_pretty};
use crate::run::Recorded;
use crate::system::clock::Clock;

/// Lines are made to fit this.
const COLUMNS: usize = 80;

pub fn forecast(settings: &Settings, wanted: &ForecastArguments) -> Exit {
    try_forecast(settings, wanted).unwrap_or_else(|exit| exit)
}

fn try_forecast(settings: &Settings, wanted: &ForecastArguments) -> Result<Exit, Exit> {
    let config = settings.config()?;
    let named = wanted.drives.iter().map(|name| drive_named(&config, name));
    let drives = named.collect::<Result<Vec<_>, Exit>>()?;
    let store = settings.store(&config)?;
    let recorded = Recorded::read(&config, &store, settings.clock.now());
    let facts = recorded
        .and_then(|recorded| recorded.forecast(&drives, wanted.reach))
        .map_err(|error| trouble(&error))?;
    match settings.form {
        Form::Json => print!("{}", to_json_pretty(&facts)),
        Form::Text => print!(
            "{}",
            forecast_text(&facts, &config.server.time_zone, COLUMNS, style())
        ),
    }
    Ok(if facts.needs_attention() {
        Exit::Trouble
    } else {
        Exit::Well
    })
}
