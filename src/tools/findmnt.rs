//! findmnt(8): what is mounted where.

use crate::plan::Argv;

pub fn all() -> Argv {
    Argv::new("findmnt")
        .args(["--json", "--real", "--output"])
        .arg("TARGET,SOURCE,FSTYPE,OPTIONS,UUID")
}
