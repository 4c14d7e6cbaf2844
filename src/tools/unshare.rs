//! unshare(1) of util-linux: runs a command with something of its own.

use crate::plan::Argv;

/// With a network of its own, in which nobody else is.
pub fn without_network(argv: Argv) -> Argv {
    let mut apart = Argv::new("unshare")
        .args(["--net", "--"])
        .arg(argv.program)
        .args(argv.args);
    apart.env = argv.env;
    apart
}
