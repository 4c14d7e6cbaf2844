//! One file per standard tool: it builds the tool's argv, reads its output and its exit status.
//! Nothing else in hayloft knows a tool's flags.

pub mod apt_mark;
pub mod aside;
pub mod blkid;
pub mod btrfs;
pub mod describe_archive;
pub mod df;
pub mod dpkg;
mod existing;
pub mod far_look;
pub mod filefrag;
pub mod files;
pub mod find;
pub mod findmnt;
pub mod firewall;
pub mod hdparm;
pub mod ip;
pub mod kernel;
pub mod ldap;
pub mod lsblk;
pub mod mariadb;
pub mod postgresql;
pub mod replace_mariadb;
pub mod rsync;
pub mod rsync_output;
pub mod seal;
pub mod service;
pub mod setpriv;
pub mod sfdisk;
pub mod slapd;
pub mod slapd_config;
pub mod ssh;
pub mod ssh_keygen;
pub mod stat;
pub mod systemctl;
pub mod tables;
pub mod tar;
pub mod unshare;
mod verdict;
pub mod volumes;
pub mod zstd;

pub use existing::Existing;
pub use verdict::{Ended, Verdict, judge, telling_line};
