//! The hidden commands that plans run as their steps: what is parsed, and what it calls.

use std::path::PathBuf;

use clap::Subcommand;

use super::database_arguments::DatabaseCommand;
use super::step_arguments::{
    ListTarArguments, PutBackArguments, SealArguments, SetAsideArguments, UnsealArguments,
};
use super::{aside, database_steps, describe_archive, seal, settings_export};
use crate::exit::Exit;

#[derive(Debug, Subcommand)]
pub enum StepCommand {
    /// Close standard input with age, onto standard output
    #[command(hide = true)]
    Seal(SealArguments),
    /// Open what is closed with age, from standard input onto standard output
    #[command(hide = true)]
    Unseal(UnsealArguments),
    /// Hand a tar archive on from standard input to standard output, and write a manifest of what is in it
    #[command(hide = true)]
    ListTar(ListTarArguments),
    /// Hand standard input on to standard output, and write down its length and digest
    #[command(hide = true)]
    Sum {
        #[arg(long, value_name = "FILE")]
        to: PathBuf,
    },
    /// Set the folder of a service aside, and make an empty one in its place
    #[command(hide = true)]
    SetAside(SetAsideArguments),
    /// Put back what was set aside
    #[command(hide = true)]
    PutBack(PutBackArguments),
    /// Print the script that makes a fresh Debian this server again
    #[command(hide = true)]
    SettingsScript,
    /// Read the members of an export of settings from standard input, and print what of them is no secret
    #[command(hide = true)]
    SettingsInventory,
    #[command(flatten)]
    Database(DatabaseCommand),
}

pub fn obey(command: StepCommand) -> Exit {
    match command {
        StepCommand::Seal(wanted) => seal::seal(wanted),
        StepCommand::Unseal(wanted) => seal::unseal(wanted),
        StepCommand::ListTar(wanted) => describe_archive::list_tar(wanted),
        StepCommand::Sum { to } => describe_archive::sum(&to),
        StepCommand::SettingsScript => settings_export::script(),
        StepCommand::SettingsInventory => settings_export::inventory(),
        StepCommand::Database(wanted) => database_steps::obey(wanted),
        StepCommand::SetAside(wanted) => aside::set_aside(&wanted),
        StepCommand::PutBack(wanted) => aside::put_back(&wanted),
    }
}
