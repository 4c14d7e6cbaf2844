//! Everything an administrator wrote: one server, its drives, machines and jobs.

use std::collections::BTreeMap;
use std::path::PathBuf;

use super::{Drive, Job, Machine, MailSettings, Name, Server};

/// The resolved contents of a configuration folder.
#[derive(Debug, Clone, PartialEq)]
pub struct Config {
    /// The folder the files were read from.
    pub folder: PathBuf,
    pub server: Server,
    pub mail: Option<MailSettings>,
    pub drives: BTreeMap<Name, Drive>,
    pub machines: BTreeMap<Name, Machine>,
    pub jobs: BTreeMap<Name, Job>,
}

impl Config {
    /// The drive a job writes to. Loading has made sure that it exists.
    ///
    /// # Panics
    /// Never for a `Config` that was loaded: a job naming an unknown drive is refused there.
    pub fn drive_of(&self, job: &Job) -> &Drive {
        &self.drives[&job.drive]
    }
}
