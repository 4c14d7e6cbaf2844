//! `kind`: what a job makes, with the keys that only this kind has.

use std::path::PathBuf;

use super::reading::nearest;
use super::{Directory, Encrypt, Mistake, Size};

/// The word in a job file.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "lowercase")]
pub enum KindName {
    History,
    Mirror,
    Archive,
    Clone,
    Directory,
    Database,
    Settings,
}

#[derive(Debug, Clone, PartialEq)]
pub enum Kind {
    History,
    Mirror,
    Archive {
        encrypt: Option<Encrypt>,
    },
    Clone {
        target: CloneTarget,
    },
    Directory(Directory),
    Database {
        engine: Engine,
        encrypt: Option<Encrypt>,
    },
    Settings {
        encrypt: Encrypt,
    },
}

#[derive(Debug, Clone, PartialEq)]
pub enum CloneTarget {
    /// A whole disk, by its stable `/dev/disk/by-id/…` name.
    Disk(PathBuf),
    /// A raw image file of this size on the job's drive.
    Image { file: PathBuf, size: Size },
}

#[derive(Debug, Clone, PartialEq)]
pub enum Engine {
    Postgresql(LocalServer),
    Mariadb(LocalServer),
    Sqlite { file: PathBuf },
}

/// A database server on this host, asked by its socket.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LocalServer {
    /// All its databases unless one is named.
    pub name: Option<String>,
    /// The folder of the socket of postgresql, the socket itself of mariadb.
    pub socket: PathBuf,
    /// Part of the name of postgresql's socket; mariadb has none.
    pub port: u16,
    /// The database's role, and the account that it is asked as: both servers know whom they talk to by the account.
    pub user: String,
}

impl LocalServer {
    /// As Debian sets postgresql up, with `peer` in its `pg_hba.conf`.
    pub fn postgresql() -> Self {
        Self {
            name: None,
            socket: "/var/run/postgresql".into(),
            port: 5432,
            user: "postgres".to_owned(),
        }
    }

    /// As Debian sets mariadb up, with `unix_socket` for root.
    pub fn mariadb() -> Self {
        Self {
            name: None,
            socket: "/run/mysqld/mysqld.sock".into(),
            port: 0,
            user: "root".to_owned(),
        }
    }
}

impl Kind {
    pub fn name(&self) -> KindName {
        match self {
            Self::History => KindName::History,
            Self::Mirror => KindName::Mirror,
            Self::Archive { .. } => KindName::Archive,
            Self::Clone { .. } => KindName::Clone,
            Self::Directory(_) => KindName::Directory,
            Self::Database { .. } => KindName::Database,
            Self::Settings { .. } => KindName::Settings,
        }
    }

    /// With what its copies are closed, if they are.
    pub fn encrypt(&self) -> Option<&Encrypt> {
        match self {
            Self::History | Self::Mirror | Self::Clone { .. } => None,
            Self::Archive { encrypt } | Self::Database { encrypt, .. } => encrypt.as_ref(),
            Self::Directory(directory) => Some(&directory.encrypt),
            Self::Settings { encrypt } => Some(encrypt),
        }
    }
}

impl KindName {
    pub const ALL: [Self; 7] = [
        Self::History,
        Self::Mirror,
        Self::Archive,
        Self::Clone,
        Self::Directory,
        Self::Database,
        Self::Settings,
    ];

    pub const EXPECTED: &str = "history, mirror, archive, clone, directory, database, settings";

    /// The kind a job file names.
    pub fn parse(text: &str) -> Result<Self, Mistake> {
        Self::ALL
            .into_iter()
            .find(|kind| kind.word() == text)
            .ok_or_else(|| {
                Mistake::new(format!("`{text}` is no kind of job"))
                    .allowed(Self::EXPECTED)
                    .nearest(nearest(text, Self::ALL.map(Self::word)))
            })
    }

    pub fn word(self) -> &'static str {
        match self {
            Self::History => "history",
            Self::Mirror => "mirror",
            Self::Archive => "archive",
            Self::Clone => "clone",
            Self::Directory => "directory",
            Self::Database => "database",
            Self::Settings => "settings",
        }
    }

    /// Whether its copies are exports of a service, rather than of files.
    pub fn is_export(self) -> bool {
        matches!(self, Self::Directory | Self::Database | Self::Settings)
    }

    /// Whether its copies can be loaded into a service.
    pub fn has_service(self) -> bool {
        matches!(self, Self::Directory | Self::Database)
    }

    /// Whether this version can run jobs of the kind; the others are read and say "not built yet".
    pub fn is_built(self) -> bool {
        matches!(
            self,
            Self::History
                | Self::Mirror
                | Self::Archive
                | Self::Directory
                | Self::Database
                | Self::Settings
        )
    }
}

impl std::fmt::Display for KindName {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(self.word())
    }
}
