//! setpriv(1) of util-linux: runs a command as another account.

use crate::plan::Argv;

/// `argv` as `user`, with that account's groups and no way back to more rights. `group` is the number
/// of its own group: setpriv would take a name for a group's, and not every account has a group of its name.
pub fn as_user(user: &str, group: &str, argv: Argv) -> Argv {
    let mut wrapped = Argv::new("setpriv")
        .option("--reuid", user)
        .args(["--regid"])
        .arg(group)
        .args(["--init-groups", "--no-new-privs", "--"])
        .arg(argv.program)
        .args(argv.args);
    wrapped.env = argv.env;
    wrapped
}
