//! `source`: what a job copies.

use std::path::PathBuf;

use super::SshHost;

/// Absolute paths, on this server or on another host.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Source {
    Local(Vec<PathBuf>),
    Ssh { host: SshHost, paths: Vec<PathBuf> },
}

impl Source {
    pub fn paths(&self) -> &[PathBuf] {
        match self {
            Self::Local(paths) | Self::Ssh { paths, .. } => paths,
        }
    }
}
