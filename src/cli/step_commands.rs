//! The hidden commands that plans run as their steps: what is parsed, and what it calls.

use std::path::PathBuf;

use clap::Subcommand;

use super::database_arguments::{
    CompareMariadb, ComparePostgresql, DumpMariadb, DumpPostgresql, DumpSqlite, MariadbUsers,
    PlaceSqlite, StartServer, SwapPostgresql,
};
use super::step_arguments::{
    ListTarArguments, PutBackArguments, SealArguments, SetAsideArguments, UnsealArguments,
};
use super::{aside, describe_archive, load_database, seal, settings_export, tables};
use crate::exit::Exit;

#[derive(Debug, Subcommand)]
pub enum StepCommand {
    /// Close standard input with age, onto standard output
    #[command(hide = true)]
    Seal(SealArguments),
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
    /// Open what is closed with age, from standard input onto standard output
    #[command(hide = true)]
    Unseal(UnsealArguments),
    /// Print the script that makes a fresh Debian this server again
    #[command(hide = true)]
    SettingsScript,
    /// Read the members of an export of settings from standard input, and print what of them is no secret
    #[command(hide = true)]
    SettingsInventory,
    /// Export a database of postgresql to standard output, and write down what its tables hold
    #[command(hide = true)]
    DumpPostgresql(DumpPostgresql),
    /// Hold a database of postgresql against what its tables held, from standard input
    #[command(hide = true)]
    ComparePostgresql(ComparePostgresql),
    /// Hand on from standard input the statements for roles that a server of postgresql does not have
    #[command(hide = true)]
    PostgresqlRoles(ComparePostgresql),
    /// Start a server that goes on, and wait until it listens on its socket
    #[command(hide = true)]
    StartServer(StartServer),
    /// Give what was loaded the place of a live database of postgresql; its figures are on standard input
    #[command(hide = true)]
    SwapPostgresql(SwapPostgresql),
    /// Give a live database of postgresql its place back
    #[command(hide = true)]
    UnswapPostgresql(SwapPostgresql),
    /// Give what was loaded the place of a live file of sqlite
    #[command(hide = true)]
    PlaceSqlite(PlaceSqlite),
    /// Give a live file of sqlite its place back
    #[command(hide = true)]
    UnplaceSqlite(PlaceSqlite),
    /// Export a database of mariadb to standard output, and write down what its tables hold
    #[command(hide = true)]
    DumpMariadb(DumpMariadb),
    /// Hold a database of mariadb against what its tables held, from standard input
    #[command(hide = true)]
    CompareMariadb(CompareMariadb),
    /// Write statements for all users of mariadb to standard output; with `--missing`, hand on from standard input
    /// those for users that it does not have
    #[command(hide = true)]
    MariadbUsers(MariadbUsers),
    /// Export a database of sqlite to standard output, and write down what its tables hold
    #[command(hide = true)]
    DumpSqlite(DumpSqlite),
    /// Hold a file of sqlite against what its tables held, from standard input
    #[command(hide = true)]
    CompareSqlite {
        #[arg(long, value_name = "FILE")]
        file: PathBuf,
    },
}

pub fn obey(command: StepCommand) -> Exit {
    match command {
        StepCommand::Seal(wanted) => seal::seal(wanted),
        StepCommand::Unseal(wanted) => seal::unseal(wanted),
        StepCommand::ListTar(wanted) => describe_archive::list_tar(wanted),
        StepCommand::Sum { to } => describe_archive::sum(&to),
        StepCommand::SettingsScript => settings_export::script(),
        StepCommand::SettingsInventory => settings_export::inventory(),
        StepCommand::DumpPostgresql(wanted) => tables::dump_postgresql(wanted),
        StepCommand::ComparePostgresql(wanted) => tables::compare_postgresql(wanted),
        StepCommand::PostgresqlRoles(wanted) => tables::postgresql_roles(wanted),
        StepCommand::StartServer(wanted) => tables::start_server(wanted),
        StepCommand::SwapPostgresql(wanted) => load_database::swap(wanted),
        StepCommand::UnswapPostgresql(wanted) => load_database::unswap(wanted),
        StepCommand::PlaceSqlite(wanted) => load_database::place(&wanted),
        StepCommand::UnplaceSqlite(wanted) => load_database::unplace(&wanted),
        StepCommand::DumpMariadb(wanted) => tables::dump_mariadb(wanted),
        StepCommand::CompareMariadb(wanted) => tables::compare_mariadb(wanted),
        StepCommand::MariadbUsers(wanted) => tables::mariadb_users(wanted),
        StepCommand::DumpSqlite(wanted) => tables::dump_sqlite(&wanted),
        StepCommand::CompareSqlite { file } => tables::compare_sqlite(&file),
        StepCommand::SetAside(wanted) => aside::set_aside(&wanted),
        StepCommand::PutBack(wanted) => aside::put_back(&wanted),
    }
}
