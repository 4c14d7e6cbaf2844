//! One file per command, thin: read the arguments, call the rooms, print a rendering.

mod arguments;
mod check;
mod deliver;
mod dry_run;
mod due;
mod files;
mod files_in_force;
mod generations;
mod restore;
mod run;
mod runs;
mod seal;
mod serve;
mod serve_host;
mod settings;
mod status;
mod tell;

use clap::Parser;

pub use arguments::{Arguments, Command};

use crate::exit::Exit;
use settings::Settings;

/// Runs the program with the arguments of this process.
pub fn main() -> Exit {
    let arguments = match Arguments::try_parse() {
        Ok(arguments) => arguments,
        Err(error) => {
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
        Command::Restore(wanted) => restore::restore(&settings, &wanted),
        Command::Deliver => deliver::deliver(&settings),
        Command::Seal(wanted) => seal::seal(wanted),
        Command::Unseal(wanted) => seal::unseal(wanted),
        Command::Files { folder } => files::write(&folder),
    }
}
