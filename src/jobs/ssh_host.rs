//! `user@host`: another computer, reached by key.

use std::path::PathBuf;

#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SshHost {
    pub user: String,
    pub host: String,
    /// 22 unless `port` is given.
    pub port: u16,
    /// Private key file; ssh's own choice unless `identity` is given.
    pub identity: Option<PathBuf>,
}

impl std::fmt::Display for SshHost {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}@{}", self.user, self.host)
    }
}
