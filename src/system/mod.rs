//! The only readers of the outside: clock, mounts, disks, tools on `PATH`, file walks.

pub mod tree_use;
