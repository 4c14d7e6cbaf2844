//! uname(1), sysctl(8) and efibootmgr(8): the kernel, its settings and how it is started.

use crate::plan::Argv;

pub fn name() -> Argv {
    Argv::new("uname").arg("-a")
}

/// All settings, also those that were never changed.
pub fn settings() -> Argv {
    Argv::new("sysctl").args(["--all", "--ignore"])
}

/// Only on a machine that was started by EFI.
pub fn boot_entries() -> Argv {
    Argv::new("efibootmgr").arg("--verbose")
}
