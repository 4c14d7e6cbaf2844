//! Job files to typed, resolved jobs, with diagnostics. One element of a file, one module.
//!
//! `server.toml` and `jobs/NAME.toml` are read into [`Config`] by [`load`]. Nothing in this room looks
//! at the machine: it reads the files it is given, looks at who may read and write them and the secret
//! files they name, and says everything that is wrong with them at once.

mod account;
mod choice;
mod config;
mod database;
mod directory;
mod drive;
mod encrypt;
mod job;
mod job_files;
mod keep_rule;
mod kind;
mod kind_keys;
mod kind_reading;
mod load;
mod machine;
mod mail_settings;
mod name;
mod number;
mod path_text;
mod pattern;
mod percent;
mod reading;
mod references;
mod reread;
mod schedule_text;
mod server;
mod server_file;
mod size;
mod smtp_server;
mod source;
mod span;
mod ssh_host;
mod step;

pub use config::Config;
pub use directory::{CONFIG_DATABASE, Control, Directory, Login};
pub use drive::{Drive, DrivePlace};
pub use encrypt::Encrypt;
pub use job::{CatchUp, Job};
pub use keep_rule::KeepRule;
pub use kind::{CloneTarget, Engine, Kind, KindName, LocalServer};
pub use load::{Loaded, load};
pub use machine::Machine;
pub use mail_settings::{MailSettings, SendWhen};
pub use name::Name;
pub use pattern::Pattern;
pub use percent::Percent;
pub use reading::{Colour, Diagnostic, Mistake, Place, Severity};
pub use reread::Reread;
pub use server::Server;
pub use size::Size;
pub use smtp_server::{SmtpSecurity, SmtpServer};
pub use source::Source;
pub use span::{Span, Unit};
pub use ssh_host::SshHost;
pub use step::{On, StepSpec};
