//! The command line, once: the parser, the man pages and the completions are made from it.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};
use jiff::Timestamp;

use super::database_arguments::DatabaseCommand;
use super::step_arguments::{
    ListTarArguments, PutBackArguments, SealArguments, SetAsideArguments, UnsealArguments,
};
use crate::jobs::{Size, Span};
use crate::record::GenerationName;

/// Keeps one server recoverable, and proves it.
///
/// Exit status: 0 well; 1 a job failed or something needs attention; 2 job files or usage wrong;
/// 3 busy, another run holds the job or its drive; 4 a drive or host is not there.
#[derive(Debug, Parser)]
#[command(
    name = "hayloft",
    version,
    arg_required_else_help = true,
    disable_help_subcommand = true
)]
pub struct Arguments {
    /// The folder with server.toml and jobs/
    #[arg(
        long,
        global = true,
        value_name = "DIR",
        default_value = "/etc/hayloft"
    )]
    pub config: PathBuf,

    /// Print facts as JSON on standard output
    #[arg(long, global = true)]
    pub json: bool,

    /// Take this for the time at the start, for trying things out
    #[arg(long, global = true, value_name = "TIME", hide = true)]
    pub clock: Option<Timestamp>,

    #[command(subcommand)]
    pub command: Command,
}

#[derive(Debug, Subcommand)]
pub enum Command {
    /// Read everything, say what is wrong and where, and what is risky
    Check(CheckArguments),
    /// Run jobs now, or show what a run would do
    Run(RunArguments),
    /// Run the service: schedules, catch-up, mail
    Serve,
    /// Show jobs, drives and mail at a glance; exit status 1 when something needs attention
    Status,
    /// Show past runs, or one of them in full with its log
    Runs(RunsArguments),
    /// Show what is kept of a job, its size alone and shared, and why
    Generations(GenerationsArguments),
    /// Foretell when drives fill, how far back history reaches, and what cap it needs; exit status 1 when a
    /// drive is likely to be at its reserve within 30 days
    Forecast(ForecastArguments),
    /// Bring files back from a generation
    Restore(RestoreArguments),
    /// Load an export into a service made for the purpose, export it again, and compare
    Rehearse(RehearseArguments),
    /// Re-read copies, compare them with their manifests, and name each damaged file
    Verify(VerifyArguments),
    /// Try to send the mail that is due
    #[command(hide = true)]
    Deliver,
    /// Settle what cut-short runs left: tell of them, and run the steps that are owed
    #[command(hide = true)]
    Settle {
        #[arg(value_name = "JOB")]
        job: Option<String>,
    },
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
    #[command(flatten)]
    Database(DatabaseCommand),
    /// Print the script that makes a fresh Debian this server again
    #[command(hide = true)]
    SettingsScript,
    /// Read the members of an export of settings from standard input, and print what of them is no secret
    #[command(hide = true)]
    SettingsInventory,
    /// Write man pages and shell completions
    #[command(hide = true)]
    Files { folder: PathBuf },
}

#[derive(Debug, Args)]
pub struct CheckArguments {
    /// Rebuild the record and the drives' catalogues from each other and from what lies on the drives
    #[arg(long)]
    pub rebuild: bool,
}

#[derive(Debug, Args)]
pub struct RunArguments {
    /// The jobs to run, one after another
    #[arg(value_name = "JOB", required_unless_present = "due")]
    pub jobs: Vec<String>,

    /// Print the plan and what would change; write nothing
    #[arg(long)]
    pub dry_run: bool,

    /// Run every job whose scheduled time has come or was missed, then end
    #[arg(long, conflicts_with_all = ["jobs", "dry_run"])]
    pub due: bool,

    #[command(flatten)]
    pub accept: AcceptArguments,

    /// The planned time that this run is for
    #[arg(long, value_name = "TIME", hide = true)]
    pub planned: Option<Timestamp>,
}

/// What a person has looked at and agrees to, once.
#[derive(Debug, Args)]
pub struct AcceptArguments {
    /// Run once although more would change than `change_guard` allows
    #[arg(long)]
    pub accept_changes: bool,

    /// Let the cap retire more than half of what is kept, this once
    #[arg(long)]
    pub accept_retiring: bool,
}

#[derive(Debug, Args)]
pub struct RunsArguments {
    /// One run, by its name in the table
    #[arg(value_name = "ID")]
    pub id: Option<String>,

    /// Only runs of this job
    #[arg(long, value_name = "JOB", conflicts_with = "id")]
    pub job: Option<String>,

    /// At most this many, newest first
    #[arg(long, value_name = "N", default_value_t = 30, conflicts_with = "id")]
    #[arg(value_parser = clap::value_parser!(u32).range(1..), allow_negative_numbers = true)]
    pub most: u32,
}

#[derive(Debug, Args)]
pub struct GenerationsArguments {
    /// The job whose generations are shown
    #[arg(value_name = "JOB")]
    pub job: String,

    /// Look at every file for the sizes, rather than in the ledger that the runs keep
    #[arg(long)]
    pub measure: bool,
}

#[derive(Debug, Args)]
pub struct ForecastArguments {
    /// The drives to look at, with the jobs that write to them; all unless given
    #[arg(value_name = "DRIVE")]
    pub drives: Vec<String>,

    /// How far back history should reach, such as "6 months"; as far as the keep rules do unless given
    #[arg(long, value_name = "SPAN", value_parser = reach)]
    pub reach: Option<Span>,
}

fn reach(text: &str) -> Result<Span, String> {
    Span::parse(text).map_err(|mistake| {
        let allowed = mistake.allowed.unwrap_or_else(|| Span::EXPECTED.to_owned());
        format!("{}; expected {allowed}", mistake.message)
    })
}

#[derive(Debug, Args)]
pub struct RestoreArguments {
    /// The job that made the copies
    #[arg(value_name = "JOB")]
    pub job: String,

    /// Paths as they were on the source, from its root; everything unless given
    #[arg(value_name = "PATH")]
    pub paths: Vec<PathBuf>,

    /// The generation to take, as `hayloft generations` names it; the newest unless given
    #[arg(long, value_name = "GENERATION", value_parser = GenerationName::parse)]
    pub from: Option<GenerationName>,

    /// The folder that the paths are put below; `/` puts them in their place
    #[arg(long, value_name = "DIR", required_unless_present_any = ["load", "entry", "compare"])]
    pub to: Option<PathBuf>,

    #[command(flatten)]
    pub service: ServiceArguments,

    /// Write over files that are there and differ, or set aside what the service holds
    #[arg(long)]
    pub replace: bool,

    /// Print the plan and what would be written; write nothing
    #[arg(long)]
    pub dry_run: bool,

    #[command(flatten)]
    pub secret: SecretArguments,
}

/// What goes back into a service, rather than into a folder.
#[derive(Debug, Args)]
pub struct ServiceArguments {
    /// For an export: load it into its service; what is there is kept aside, and put back if anything fails
    #[arg(long, conflicts_with_all = ["to", "paths"])]
    pub load: bool,

    /// For a directory: show how this entry differs from the live one; `--replace` changes that one
    #[arg(long, value_name = "DN", conflicts_with_all = ["to", "paths", "load"])]
    pub entry: Option<String>,

    /// The entry with all below it
    #[arg(long, requires = "entry")]
    pub subtree: bool,

    /// For settings: show how this server differs from what was kept of it; nothing is written
    #[arg(long, conflicts_with_all = ["to", "paths", "load", "replace", "dry_run"])]
    pub compare: bool,
}

/// With what a closed copy is opened.
#[derive(Debug, Args)]
pub struct SecretArguments {
    /// For a closed archive: the file whose first line is the passphrase, rather than the job's
    #[arg(long, value_name = "FILE", conflicts_with = "identity_file")]
    pub passphrase_file: Option<PathBuf>,

    /// For an archive closed for recipients: the file with the age secret key
    #[arg(long, value_name = "FILE")]
    pub identity_file: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub struct RehearseArguments {
    /// The job whose export is rehearsed
    #[arg(value_name = "JOB")]
    pub job: String,

    /// The generation, as `hayloft generations` names it; the newest unless given
    #[arg(value_name = "GENERATION", value_parser = GenerationName::parse)]
    pub generation: Option<GenerationName>,

    /// The most memory that the rehearsal may take, such as "2 GB"; half of the server's unless given
    #[arg(long, value_name = "SIZE", value_parser = size)]
    pub space: Option<Size>,

    #[command(flatten)]
    pub secret: SecretArguments,

    /// It runs with mounts and processes of its own
    #[arg(long, hide = true)]
    pub apart: bool,
}

fn size(text: &str) -> Result<Size, String> {
    Size::parse_some(text)
        .map_err(|mistake| format!("{}; expected {}", mistake.message, Size::EXPECTED))
}

#[derive(Debug, Args)]
pub struct VerifyArguments {
    /// The job whose copies are verified
    #[arg(value_name = "JOB", required_unless_present = "slice")]
    pub job: Option<String>,

    /// The generation, as `hayloft generations` names it; the newest unless given
    #[arg(value_name = "GENERATION", value_parser = GenerationName::parse)]
    pub generation: Option<GenerationName>,

    /// All generations of the job; files that they share are read once
    #[arg(long, conflicts_with = "generation")]
    pub all: bool,

    /// Only so many files of each generation, chosen by chance: big and small, old and new
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u64).range(1..))]
    pub sample: Option<u64>,

    /// Choose the same files as an earlier run: its name
    #[arg(long, value_name = "RUN", requires = "sample")]
    pub seed: Option<String>,

    /// Put right what is damaged from a good copy, after saying what will be replaced
    #[arg(long, conflicts_with = "sample")]
    pub mend: bool,

    /// Re-read the next part of a drive, as its `reread` says; of every drive that has one unless named
    #[arg(
        long,
        value_name = "DRIVE",
        num_args = 0..=1,
        default_missing_value = "",
        conflicts_with_all = ["job", "generation", "all", "sample", "mend"]
    )]
    pub slice: Option<String>,

    /// The planned time that this is for
    #[arg(long, value_name = "TIME", hide = true, requires = "slice")]
    pub planned: Option<Timestamp>,
}
