//! `hayloft runs`

use super::arguments::RunsArguments;
use super::settings::{Form, Settings, job_named, style, trouble};
use crate::exit::Exit;
use crate::jobs::Config;
use crate::record::{RunFilter, Store};
use crate::report::{log_line, run_in_full_text, runs_text, safe_line, to_json_pretty};

pub fn runs(settings: &Settings, wanted: &RunsArguments) -> Exit {
    let shown = || -> Result<Exit, Exit> {
        let config = settings.config()?;
        let store = settings.store(&config)?;
        match &wanted.id {
            Some(id) => one(settings, &config, &store, id),
            None => table(settings, &config, &store, wanted),
        }
    };
    shown().unwrap_or_else(|exit| exit)
}

fn table(
    settings: &Settings,
    config: &Config,
    store: &Store,
    wanted: &RunsArguments,
) -> Result<Exit, Exit> {
    let job = wanted
        .job
        .as_ref()
        .map(|name| job_named(config, name))
        .transpose()?;
    let filter = RunFilter {
        job: job.map(|job| job.name.clone()),
        limit: Some(wanted.most),
        ..RunFilter::default()
    };
    let runs = store.runs(&filter).map_err(|error| trouble(&error))?;
    match settings.form {
        Form::Json => print!("{}", to_json_pretty(&runs)),
        Form::Text => print!("{}", runs_text(&runs, &config.server.time_zone, style())),
    }
    Ok(Exit::Well)
}

fn one(settings: &Settings, config: &Config, store: &Store, id: &str) -> Result<Exit, Exit> {
    let Some(run) = store.run(id).map_err(|error| trouble(&error))? else {
        eprintln!(
            "error: there is no run `{}`; `hayloft runs` lists them",
            safe_line(id)
        );
        return Err(Exit::Usage);
    };
    if settings.form == Form::Json {
        print!("{}", to_json_pretty(&run));
        return Ok(Exit::Well);
    }
    println!("{}", run_in_full_text(&run, &config.server.time_zone));
    match std::fs::read(&run.log_file) {
        Ok(log) => {
            println!("The log, {}:", safe_line(&run.log_file));
            for line in String::from_utf8_lossy(&log).lines() {
                println!("  {}", log_line(line, &config.server.time_zone));
            }
        }
        Err(error) => println!("The log is gone: `{}`: {error}", safe_line(&run.log_file)),
    }
    Ok(Exit::Well)
}
