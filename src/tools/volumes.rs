//! lvm(8) and mdadm(8): what disks are put together to.

use crate::plan::Argv;

pub fn lvm_report() -> Argv {
    Argv::new("lvm").args(["fullreport", "--reportformat", "json"])
}

/// Lines as in mdadm.conf(5).
pub fn arrays() -> Argv {
    Argv::new("mdadm").args(["--detail", "--scan"])
}
