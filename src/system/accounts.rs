//! The accounts of this server that steps run as: passwd(5), or what nsswitch.conf(5) asks instead.

use std::collections::BTreeMap;

use uzers::os::unix::UserExt;

use crate::jobs::Job;
use crate::plan::Account;
use crate::tools::setpriv::RunAs;

/// The accounts that the job's own steps name, as far as they exist.
pub fn of_steps(job: &Job) -> BTreeMap<String, Account> {
    let named = job.pre.iter().chain(&job.post);
    named
        .filter_map(|step| step.user.as_ref())
        .filter_map(|name| Some((name.clone(), account(name)?)))
        .collect()
}

/// An account by its name.
pub fn account(name: &str) -> Option<Account> {
    let user = uzers::get_user_by_name(name)?;
    Some(Account {
        group: user.primary_group_id(),
        home: user.home_dir().to_owned(),
        shell: user.shell().to_owned(),
    })
}

/// How a program is run as this account; `None` where there is no such account.
pub fn run_as(name: &str) -> Option<RunAs> {
    let user = uzers::get_user_by_name(name)?;
    // who is somebody else than root can run programs as itself only
    if user.uid() == rustix::process::geteuid().as_raw() {
        return Some(RunAs::Own);
    }
    Some(RunAs::Account {
        name: name.to_owned(),
        group: user.primary_group_id(),
    })
}
