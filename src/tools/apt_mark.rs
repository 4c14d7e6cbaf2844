//! apt-mark(8): which packages a person wanted, and which are to stay as they are.

use crate::plan::Argv;

/// Those that were installed by themselves, a name a line.
pub fn manual() -> Argv {
    show("showmanual")
}

/// Those that are held, a name a line.
pub fn held() -> Argv {
    show("showhold")
}

/// Without the caches that apt would write for itself (apt.conf(5), `Dir::Cache`): an export changes nothing.
fn show(what: &str) -> Argv {
    Argv::new("apt-mark")
        .args(["--option", "Dir::Cache::pkgcache="])
        .args(["--option", "Dir::Cache::srcpkgcache="])
        .arg(what)
}
