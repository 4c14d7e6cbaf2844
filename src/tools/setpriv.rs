//! setpriv(1) of util-linux: runs a command as another account.

use crate::plan::Argv;

/// `argv` as `user`, with that account's groups and no way back to more rights. `group` is its primary one
/// (the account `nobody` has no group of its name); without it setpriv says what is wrong.
pub fn as_user(user: &str, group: Option<u32>, argv: Argv) -> Argv {
    let group = group.map_or_else(|| user.to_owned(), |number| number.to_string());
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
