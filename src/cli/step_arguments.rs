//! The command line of the hidden commands that plans run as their steps.

use std::path::PathBuf;

use clap::Args;

#[derive(Debug, Args)]
pub struct SetAsideArguments {
    #[arg(value_name = "FOLDER")]
    pub place: PathBuf,

    #[arg(long = "as", value_name = "FOLDER")]
    pub aside: PathBuf,

    /// Of a new folder, where there is none
    #[arg(long, value_name = "ACCOUNT")]
    pub owner: String,
}

#[derive(Debug, Args)]
pub struct PutBackArguments {
    #[arg(value_name = "FOLDER")]
    pub place: PathBuf,

    #[arg(long = "from", value_name = "FOLDER")]
    pub aside: PathBuf,

    /// What has taken its place gets this name
    #[arg(long, value_name = "FOLDER")]
    pub failed: PathBuf,
}

#[derive(Debug, Args)]
pub struct SealArguments {
    #[command(flatten)]
    pub with: CloseArguments,
}

/// With what a stream is closed, if it is.
#[derive(Debug, Args)]
pub struct CloseArguments {
    /// The file whose first line is the passphrase
    #[arg(long, value_name = "FILE", conflicts_with_all = ["recipients", "credential"])]
    pub passphrase_file: Option<PathBuf>,

    /// The credential of the service that is the passphrase
    #[arg(long, value_name = "NAME", conflicts_with = "recipients")]
    pub credential: Option<String>,

    /// A key that it is closed for
    #[arg(long = "recipient", value_name = "KEY")]
    pub recipients: Vec<String>,
}

#[derive(Debug, Args)]
pub struct ListTarArguments {
    /// The first words of the manifest
    #[arg(long)]
    pub title: String,

    /// The archive's name
    #[arg(long)]
    pub archive: String,

    /// The manifest's name
    #[arg(long)]
    pub name: String,

    /// The file to write it to
    #[arg(long, value_name = "FILE")]
    pub to: PathBuf,

    /// A folder for what is of no use afterwards
    #[arg(long, value_name = "DIR")]
    pub scratch: PathBuf,

    /// A folder that leads to a source
    #[arg(long, value_name = "PATH")]
    pub above: Vec<PathBuf>,

    #[command(flatten)]
    pub with: CloseArguments,
}

#[derive(Debug, Args)]
pub struct UnsealArguments {
    #[arg(
        long,
        value_name = "FILE",
        required_unless_present_any = ["identity_file", "credential"],
        conflicts_with_all = ["identity_file", "credential"]
    )]
    pub passphrase_file: Option<PathBuf>,

    #[arg(long, value_name = "NAME", conflicts_with = "identity_file")]
    pub credential: Option<String>,

    #[arg(long, value_name = "FILE")]
    pub identity_file: Option<PathBuf>,
}
