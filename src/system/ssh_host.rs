//! Greets another host: pins its key at the first check, and looks whether rsync is there.

use std::path::Path;
use std::time::Duration;

use super::ask;
use super::remote_drive::ask_script;
use crate::jobs::SshHost;
use crate::plan::{Argv, Stop};
use crate::record::Outcome;
use crate::tools::ssh::{HostKey, SshLine, remote_words};
use crate::tools::ssh_keygen;

/// A host that answered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HostFound {
    pub host: String,
    pub fingerprints: Vec<String>,
    pub pinning: Pinning,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pinning {
    /// This was the first meeting.
    Now,
    Before,
}

/// Asks the host for rsync. A key that is not known is written to `known_hosts`; one that differs from
/// the known one is refused.
///
/// # Errors
/// A [`Stop`] when the host does not answer, is another, refuses us, or has no rsync.
pub fn greet(host: &SshHost, known_hosts: &Path) -> Result<HostFound, Stop> {
    let line = SshLine::new(host, known_hosts);
    let before = fingerprints(host, known_hosts);
    let script = remote_words(&Argv::new("rsync").arg("--version"));
    let answer = ask_script(&line, &script, HostKey::PinNow)?;
    if !answer.is_well() {
        let reason = format!("`{host}` has no rsync: {}", answer.stderr.trim());
        return Err(Stop::new(Outcome::Failed, reason).advise("install rsync there"));
    }
    Ok(HostFound {
        host: host.to_string(),
        pinning: if before.is_empty() {
            Pinning::Now
        } else {
            Pinning::Before
        },
        fingerprints: fingerprints(host, known_hosts),
    })
}

fn fingerprints(host: &SshHost, known_hosts: &Path) -> Vec<String> {
    let answer = ask(
        &ssh_keygen::fingerprints(host, known_hosts),
        Duration::from_secs(10),
    );
    answer.map_or_else(|_| Vec::new(), |answer| ssh_keygen::parse(&answer.text()))
}
