//! What the hidden commands are told that export databases and look into them.

use std::ffi::OsString;
use std::path::PathBuf;

use clap::{Args, Subcommand};

#[derive(Debug, Subcommand)]
pub enum DatabaseCommand {
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
    /// Write standard input to a new file that only its owner can read
    #[command(hide = true)]
    KeepMariadb {
        #[arg(long, value_name = "FILE")]
        to: PathBuf,
    },
    /// Drop a live database of mariadb that is kept, and make it anew; the figures of what takes its place are on
    /// standard input
    #[command(hide = true)]
    ReplaceMariadb(ReplaceMariadb),
    /// Give a live database of mariadb what was kept of it
    #[command(hide = true)]
    UnreplaceMariadb(ReplaceMariadb),
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

#[derive(Debug, Args)]
pub struct PostgresqlArguments {
    /// The folder of the socket
    #[arg(long, value_name = "DIR")]
    pub socket: PathBuf,

    #[arg(long)]
    pub port: u16,

    /// The role of the database
    #[arg(long)]
    pub role: String,

    /// The account to ask as; hayloft's own unless given
    #[arg(long)]
    pub account: Option<String>,

    /// The folder of the programs; those on PATH unless given
    #[arg(long, value_name = "DIR")]
    pub programs: Option<PathBuf>,

    #[arg(long, value_name = "NAME")]
    pub database: String,
}

#[derive(Debug, Args)]
pub struct DumpPostgresql {
    #[command(flatten)]
    pub server: PostgresqlArguments,

    /// The file that the figures of the tables are written to
    #[arg(long, value_name = "FILE")]
    pub tables: PathBuf,
}

#[derive(Debug, Args)]
pub struct ComparePostgresql {
    #[command(flatten)]
    pub server: PostgresqlArguments,
}

#[derive(Debug, Args)]
pub struct MariadbArguments {
    #[arg(long, value_name = "FILE")]
    pub socket: PathBuf,

    /// The role of the database
    #[arg(long)]
    pub role: String,

    /// The account to ask as; hayloft's own unless given
    #[arg(long)]
    pub account: Option<String>,

    /// Read no file of options: for a server that hayloft made itself
    #[arg(long)]
    pub no_defaults: bool,
}

#[derive(Debug, Args)]
pub struct DumpMariadb {
    #[command(flatten)]
    pub server: MariadbArguments,

    #[arg(long, value_name = "NAME")]
    pub database: String,

    /// The file that the figures of the tables are written to
    #[arg(long, value_name = "FILE")]
    pub tables: PathBuf,
}

#[derive(Debug, Args)]
pub struct CompareMariadb {
    #[command(flatten)]
    pub server: MariadbArguments,

    #[arg(long, value_name = "NAME")]
    pub database: String,
}

#[derive(Debug, Args)]
pub struct MariadbUsers {
    #[command(flatten)]
    pub server: MariadbArguments,

    #[arg(long)]
    pub missing: bool,
}

#[derive(Debug, Args)]
pub struct ReplaceMariadb {
    #[command(flatten)]
    pub server: MariadbArguments,

    #[arg(long, value_name = "NAME")]
    pub database: String,

    /// What is kept, while the live one is there
    #[arg(long, value_name = "FILE")]
    pub keeping: Option<PathBuf>,

    /// Its name once the live one is dropped
    #[arg(long, value_name = "FILE")]
    pub before: PathBuf,

    /// The figures of what is kept
    #[arg(long, value_name = "FILE")]
    pub tables: PathBuf,

    #[arg(long, value_name = "FILE", conflicts_with_all = ["identity_file", "credential"])]
    pub passphrase_file: Option<PathBuf>,

    #[arg(long, value_name = "NAME", conflicts_with = "identity_file")]
    pub credential: Option<String>,

    #[arg(long, value_name = "FILE")]
    pub identity_file: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub struct DumpSqlite {
    #[arg(long, value_name = "FILE")]
    pub file: PathBuf,

    /// An empty folder, for a file system in memory
    #[arg(long, value_name = "DIR")]
    pub scratch: PathBuf,

    /// The file that the figures of the tables are written to
    #[arg(long, value_name = "FILE")]
    pub tables: PathBuf,
}

#[derive(Debug, Args)]
pub struct StartServer {
    #[arg(long, value_name = "FILE")]
    pub socket: PathBuf,

    /// Where what it says goes
    #[arg(long, value_name = "FILE")]
    pub log: PathBuf,

    #[arg(last = true, required = true, value_name = "WORD")]
    pub command: Vec<OsString>,
}

#[derive(Debug, Args)]
pub struct SwapPostgresql {
    #[command(flatten)]
    pub server: PostgresqlArguments,

    /// The name of what was loaded
    #[arg(long, value_name = "NAME")]
    pub loaded: String,

    /// The name that the live one is kept by
    #[arg(long, value_name = "NAME")]
    pub before: String,
}

#[derive(Debug, Args)]
pub struct PlaceSqlite {
    #[arg(long, value_name = "FILE")]
    pub file: PathBuf,

    /// What was loaded
    #[arg(long, value_name = "FILE")]
    pub loaded: PathBuf,

    /// What the live one is kept as
    #[arg(long, value_name = "FILE")]
    pub before: PathBuf,
}
