//! What every command needs: the configuration folder, the clock, how to print.

use std::io::IsTerminal;
use std::path::PathBuf;

use jiff::Timestamp;

use super::Arguments;
use crate::exit::Exit;
use crate::jobs::{Colour, Config, Diagnostic, Drive, Job, Name, load};
use crate::record::Store;
use crate::report::Style;
use crate::system::clock::{Clock, ShiftedClock, SystemClock};

/// How facts are printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Form {
    Text,
    Json,
}

pub struct Settings {
    pub folder: PathBuf,
    pub form: Form,
    pub clock: AnyClock,
}

/// The system's clock, or one that was set on the command line.
#[derive(Debug, Clone, Copy)]
pub enum AnyClock {
    System(SystemClock),
    Shifted(ShiftedClock),
}

impl Clock for AnyClock {
    fn now(&self) -> Timestamp {
        match self {
            Self::System(clock) => clock.now(),
            Self::Shifted(clock) => clock.now(),
        }
    }

    fn to_system(&self, time: Timestamp) -> Timestamp {
        match self {
            Self::System(clock) => clock.to_system(time),
            Self::Shifted(clock) => clock.to_system(time),
        }
    }
}

impl Settings {
    pub fn of(arguments: &Arguments) -> Self {
        Self {
            folder: arguments.config.clone(),
            form: if arguments.json {
                Form::Json
            } else {
                Form::Text
            },
            clock: match arguments.clock {
                None => AnyClock::System(SystemClock),
                Some(instant) => AnyClock::Shifted(ShiftedClock::starting_at(instant)),
            },
        }
    }

    /// The job files, or everything that is wrong with them on standard error.
    ///
    /// # Errors
    /// [`Exit::Usage`], after telling.
    pub fn config(&self) -> Result<Config, Exit> {
        load(&self.folder)
            .map(|loaded| loaded.config)
            .map_err(|diagnostics| tell_wrong_files(&diagnostics))
    }

    /// The record, with what was found wrong with it told.
    ///
    /// # Errors
    /// [`Exit::Trouble`], after telling.
    pub fn store(&self, config: &Config) -> Result<Store, Exit> {
        match Store::open_at(&config.server.state_dir, self.clock.now()) {
            Ok((store, notes)) => {
                for note in notes {
                    eprintln!("note: {note}");
                }
                Ok(store)
            }
            Err(error) => Err(trouble(&error)),
        }
    }
}

/// Tells everything that is wrong with the files.
pub fn tell_wrong_files(diagnostics: &[Diagnostic]) -> Exit {
    for diagnostic in diagnostics {
        eprintln!("{}", diagnostic.render(error_colour()));
    }
    eprintln!("`hayloft check` tells more; nothing was done");
    Exit::Usage
}

/// Tells an error that nothing can be done about here.
pub fn trouble(error: &dyn std::fmt::Display) -> Exit {
    eprintln!("error: {error}");
    if !rustix::process::geteuid().is_root() {
        eprintln!("note: this is not root, who alone can read and write all that hayloft needs");
    }
    Exit::Trouble
}

/// A job by the name given on the command line.
///
/// # Errors
/// [`Exit::Usage`], after telling which jobs there are.
pub fn job_named<'c>(config: &'c Config, text: &str) -> Result<&'c Job, Exit> {
    if let Some(job) = Name::parse(text)
        .ok()
        .and_then(|name| config.jobs.get(&name))
    {
        return Ok(job);
    }
    eprintln!(
        "error: there is no job `{}`",
        crate::report::safe_line(text)
    );
    let near = config
        .jobs
        .keys()
        .min_by_key(|name| strsim::damerau_levenshtein(name.as_str(), text));
    if let Some(near) = near.filter(|name| strsim::jaro(name.as_str(), text) > 0.7) {
        eprintln!("did you mean `{near}`?");
    }
    let names: Vec<String> = config.jobs.keys().map(|name| format!("`{name}`")).collect();
    eprintln!("jobs: {}", names.join(", "));
    Err(Exit::Usage)
}

/// A drive by the name given on the command line.
///
/// # Errors
/// [`Exit::Usage`], after telling which drives there are.
pub fn drive_named<'c>(config: &'c Config, text: &str) -> Result<&'c Drive, Exit> {
    let named = Name::parse(text)
        .ok()
        .and_then(|name| config.drives.get(&name));
    named.ok_or_else(|| {
        let text = crate::report::safe_line(text);
        let names: Vec<String> = config
            .drives
            .keys()
            .map(|name| format!("`{name}`"))
            .collect();
        eprintln!("error: there is no drive `{text}`");
        eprintln!("drives: {}", names.join(", "));
        Exit::Usage
    })
}

/// Colour on standard output: a terminal that can, and nobody who asked for none (no-color.org).
pub fn style() -> Style {
    if std::io::stdout().is_terminal() && colour_is_wanted() {
        Style::Colour
    } else {
        Style::Plain
    }
}

pub fn error_colour() -> Colour {
    if std::io::stderr().is_terminal() && colour_is_wanted() {
        Colour::Ansi
    } else {
        Colour::Plain
    }
}

fn colour_is_wanted() -> bool {
    let no_color = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
    let is_dumb = std::env::var_os("TERM").is_none_or(|term| term == "dumb");
    !no_color && !is_dumb
}
