//! Job files to typed, resolved jobs, with diagnostics. One element of a file, one module.
//!
//! `server.toml` and `jobs/NAME.toml` are read into [`Config`]. Nothing in this room looks at the
//! machine: it reads the files it is given, and says everything that is wrong with them at once.

mod config;
mod drive;
mod encrypt;
mod job;
mod keep_rule;
mod kind;
mod machine;
mod mail_settings;
mod name;
mod pattern;
mod percent;
mod server;
mod size;
mod source;
mod span;
mod ssh_host;
mod step;

pub use config::Config;
pub use drive::{Drive, DrivePlace};
pub use encrypt::Encrypt;
pub use job::{CatchUp, Job};
pub use keep_rule::KeepRule;
pub use kind::{CloneTarget, Engine, Kind, KindName};
pub use machine::Machine;
pub use mail_settings::{MailSettings, SendWhen, SmtpSecurity, SmtpServer};
pub use name::Name;
pub use pattern::Pattern;
pub use percent::Percent;
pub use server::Server;
pub use size::Size;
pub use source::Source;
pub use span::{Span, Unit};
pub use ssh_host::SshHost;
pub use step::{On, StepSpec};
