//! What makes a new installation this server again: what is kept of it, how that is read, and how two times differ.

mod accounts;
mod apply;
mod crontab_line;
mod difference;
mod inventory;
mod kept;
mod masking;
mod mount_line;
mod package_source;

pub use accounts::{AccountLine, GroupLine, read_groups, read_passwd};
pub use apply::APPLY;
pub use crontab_line::{CronLine, Whose, read_crontab};
pub use difference::{Change, Difference, FileChange, Part, What, difference};
pub use inventory::{Disk, FirewallState, Inventory};
pub use kept::{FileKind, Kept, KeptFile};
pub use masking::{bare_address, text_without_secrets, without_login, without_secrets};
pub use mount_line::{MountLine, read_fstab};
pub use package_source::read_sources;
