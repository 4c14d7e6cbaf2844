//! The only readers of the outside: clock, mounts, disks, tools on PATH, file walk.

pub mod clock;
