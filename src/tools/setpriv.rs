//! setpriv(1) of util-linux: runs a command as another account.

use crate::plan::{Argv, Owner};

/// `argv` as the account that owns what it works on. It ends with who started it: the kernel forgets that where a process
/// becomes another account's (prctl(2), `PR_SET_PDEATHSIG`).
pub fn as_owner(owner: &Owner, argv: Argv) -> Argv {
    let mut wrapped = as_user(&owner.user, &owner.group, argv);
    wrapped
        .args
        .splice(0..0, ["--pdeathsig".into(), "TERM".into()]);
    wrapped
}

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

/// As whom a program is run.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum RunAs {
    /// As hayloft itself.
    Own,
    /// As this account, with the number of its own group.
    Account { name: String, group: u32 },
}

impl RunAs {
    pub fn run(&self, argv: Argv) -> Argv {
        match self {
            Self::Own => argv,
            Self::Account { name, group } => as_user(name, &group.to_string(), argv),
        }
    }
}
