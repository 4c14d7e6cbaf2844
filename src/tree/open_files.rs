//! How many files this process may hold open, and the kernel's table of them.

use rustix::io::fcntl_dupfd_cloexec;
use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};

/// Lets this process hold as many files open as it ever may. Whether that is more than before.
pub fn raise_limit() -> bool {
    let limit = getrlimit(Resource::Nofile);
    let most = Rlimit {
        current: limit.maximum,
        maximum: limit.maximum,
    };
    limit.current != limit.maximum && setrlimit(Resource::Nofile, most).is_ok()
}

/// Lets many files be open, and has the kernel make its table of open files long enough at once, before there are threads: where they share it, each
/// doubling waits until all processors have let go of the old one (the kernel's fs/file.c).
pub fn make_room() {
    const ENOUGH: i32 = 1000;
    raise_limit();
    // nothing depends on it: a number too high is refused
    drop(fcntl_dupfd_cloexec(std::io::stdout(), ENOUGH));
}
