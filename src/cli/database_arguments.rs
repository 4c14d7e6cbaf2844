//! What the hidden commands are told that export databases and look into them.

use std::ffi::OsString;
use std::path::PathBuf;

use clap::Args;

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
