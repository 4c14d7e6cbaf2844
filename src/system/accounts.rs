//! The accounts that a job's steps run as, from the system's user database (getpwnam(3)).

use std::collections::BTreeMap;

use crate::jobs::Job;

/// The primary group's number of each account that a step names and that there is.
pub fn primary_groups(job: &Job) -> BTreeMap<String, u32> {
    let users = job.pre.iter().chain(&job.post);
    let users = users.filter_map(|step| step.user.as_ref());
    users
        .filter_map(|name| {
            let user = uzers::get_user_by_name(name)?;
            Some((name.clone(), user.primary_group_id()))
        })
        .collect()
}
