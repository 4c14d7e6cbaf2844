//! One file per command, thin: read the arguments, call the rooms, print a rendering.

mod arguments;
mod aside;
mod check;
mod check_secret;
mod compare;
mod deliver;
mod describe_archive;
mod dispatch;
mod dry_run;
mod due;
mod files;
mod files_in_force;
mod forecast;
mod generations;
mod load;
mod rebuild;
mod rehearse;
mod restore;
mod restore_checks;
mod run;
mod runs;
mod seal;
mod secret;
mod serve;
mod serve_host;
mod settings;
mod settings_export;
mod settle;
mod status;
mod step_arguments;
mod tell;
mod verify;

pub use arguments::{Arguments, Command};
pub use dispatch::main;
