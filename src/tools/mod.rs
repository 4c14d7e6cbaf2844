//! One file per standard tool: it builds the tool's argv, reads its output and its exit status.
//! Nothing else in hayloft knows a tool's flags.

pub mod aside;
pub mod blkid;
pub mod btrfs;
pub mod describe_archive;
pub mod df;
mod existing;
pub mod far_look;
pub mod filefrag;
pub mod files;
pub mod find;
pub mod hdparm;
pub mod ldap;
pub mod mariadb;
pub mod postgresql;
pub mod rsync;
pub mod rsync_output;
pub mod seal;
pub mod service;
pub mod setpriv;
pub mod slapd;
pub mod slapd_config;
pub mod ssh;
pub mod ssh_keygen;
pub mod tables;
pub mod tar;
mod verdict;
pub mod zstd;

pub use existing::Existing;
pub use verdict::{Ended, Verdict, judge, telling_line};
