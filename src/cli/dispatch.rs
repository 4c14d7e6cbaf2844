//! The command line from its first argument to its exit code.

use clap::Parser;
use clap::error::ContextKind;

use super::arguments::{Arguments, Command};
use super::settings::Settings;
use super::{
    aside, check, database_steps, deliver, describe_archive, files, forecast, generations,
    rehearse, restore, run, runs, seal, serve, settings_export, settle, status, verify,
};
use crate::exit::Exit;
use crate::terminal;

/// Runs the program with the arguments of this process.
pub fn main() -> Exit {
    let exit = obey();
    match terminal::end() {
        Ok(()) => exit,
        Err(error) => {
            eprintln!("error: standard output could not be written: {error}");
            exit.and(Exit::Trouble)
        }
    }
}

fn obey() -> Exit {
    let arguments = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(mut error) => {
            // those that are hidden are named by nothing else
            error.remove(ContextKind::ValidSubcommand);
            // help and version are asked for, not mistakes
            let exit = if error.use_stderr() {
                Exit::Usage
            } else {
                Exit::Well
            };
            let _ = error.print();
            return exit;
        }
    };
    let settings = Settings::of(&arguments);
    match arguments.command {
        Command::Check(wanted) => check::check(&settings, &wanted),
        Command::Run(wanted) => run::run(&settings, &wanted),
        Command::Serve => serve::serve(&settings),
        Command::Status => status::status(&settings),
        Command::Runs(wanted) => runs::runs(&settings, &wanted),
        Command::Generations(wanted) => generations::generations(&settings, &wanted),
        Command::Forecast(wanted) => forecast::forecast(&settings, &wanted),
        Command::Restore(wanted) => restore::restore(&settings, &wanted),
        Command::Rehearse(wanted) => rehearse::rehearse(&settings, &wanted),
        Command::Verify(wanted) => verify::verify(&settings, &wanted),
        Command::Settle { job } => settle::settle(&settings, job.as_deref()),
        Command::Deliver => deliver::deliver(&settings),
        Command::Seal(wanted) => seal::seal(wanted),
        Command::Unseal(wanted) => seal::unseal(wanted),
        Command::ListTar(wanted) => describe_archive::list_tar(wanted),
        Command::Sum { to } => describe_archive::sum(&to),
        Command::Database(command) => database_steps::obey(command),
        Command::SettingsScript => settings_export::script(),
        Command::SettingsInventory => settings_export::inventory(),
        Command::SetAside(wanted) => aside::set_aside(&wanted),
        Command::PutBack(wanted) => aside::put_back(&wanted),
        Command::Files { folder } => files::write(&folder),
    }
}
