//! What is to be known of a service before it is exported, loaded or rehearsed.

use std::collections::BTreeSet;
use std::path::PathBuf;

use crate::tools::mariadb::MariadbServer;
use crate::tools::postgresql::PostgresqlServer;

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ServiceFacts {
    None,
    Directory(DirectoryFacts),
    Database(DatabaseFacts),
    Settings(SettingsFacts),
}

/// A database server of this host, or a file of SQLite.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum DatabaseFacts {
    Postgresql {
        server: PostgresqlServer,
        /// As the server tells it itself: `15.18`.
        version: String,
        /// Those that are exported.
        databases: Vec<String>,
    },
    Mariadb {
        server: MariadbServer,
        version: String,
        databases: Vec<String>,
    },
    Sqlite {
        /// Of the library that reads it.
        version: String,
        file: PathBuf,
    },
}

/// A slapd(8) of this server.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DirectoryFacts {
    /// As it tells it itself: `2.5.13`.
    pub version: String,
    /// Whose its configuration is; its programs run as this account, so that no file of theirs is another's.
    pub owner: Owner,
}

/// An account of this server, as setpriv(1) takes it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Owner {
    pub user: String,
    /// The number of its own group.
    pub group: String,
}

/// Where a database of a directory service lies.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DatabasePlace {
    /// As the job file names it: `config`, or a suffix.
    pub database: String,
    pub folder: PathBuf,
    pub holds: Holds,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Holds {
    /// The folder is empty, or not there.
    Nothing,
    Data,
}

/// What this server has of that which is kept of every server.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct SettingsFacts {
    /// Files and folders that are kept as they are.
    pub paths: Vec<PathBuf>,
    /// Disks with a partition table.
    pub disks: Vec<PathBuf>,
    /// The public halves of the keys that it shows itself with to ssh.
    pub host_keys: Vec<PathBuf>,
    /// Home folders that are there.
    pub homes: Vec<PathBuf>,
    /// Of the files that are told as they are, those that are there.
    pub texts: BTreeSet<PathBuf>,
    pub boot: Boot,
    /// Of the programs that may be asked, those that are not installed.
    pub missing: BTreeSet<String>,
}

/// How the machine was started.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Boot {
    Efi,
    #[default]
    Other,
}
