//! The administrator's own pre and post steps, with the variables they may use.

use std::collections::BTreeMap;
use std::time::Duration;

use super::{Account, Act, Argv, Landing, Part, Pipeline, Reading, Step};
use crate::jobs::{Job, Name, On, Span, StepSpec};
use crate::record::GenerationName;
use crate::tools::setpriv;

/// A step without a `timeout` may take this long: a service that hangs must not hold up the night.
pub const STEP_TIMEOUT: Duration = Duration::from_secs(30 * 60);

/// What every step finds in its environment.
///
/// `HAYLOFT_SERVER`, `HAYLOFT_JOB`, `HAYLOFT_KIND`, `HAYLOFT_DRIVE` are the words of the job files;
/// `HAYLOFT_LANDING` is the job's folder on the drive; `HAYLOFT_GENERATION` names what is being
/// made; `HAYLOFT_PART` is `pre` or `post`. With `user`, `HOME`, `SHELL`, `USER` and `LOGNAME` are that
/// account's. What `env` says goes before all of these. A post step also finds `HAYLOFT_OUTCOME`, set when it starts.
#[derive(Debug, Clone, Copy)]
pub struct StepEnvironment<'a> {
    pub server: &'a Name,
    pub landing: &'a Landing,
    pub generation: GenerationName,
    /// Those that steps run as.
    pub accounts: &'a BTreeMap<String, Account>,
}

impl StepEnvironment<'_> {
    fn variables(&self, job: &Job, part: Part) -> BTreeMap<String, String> {
        let part = if part == Part::Pre { "pre" } else { "post" };
        [
            ("HAYLOFT_SERVER", self.server.to_string()),
            ("HAYLOFT_JOB", job.name.to_string()),
            ("HAYLOFT_KIND", job.kind.name().to_string()),
            ("HAYLOFT_DRIVE", job.drive.to_string()),
            ("HAYLOFT_LANDING", self.landing.address()),
            ("HAYLOFT_GENERATION", self.generation.to_string()),
            ("HAYLOFT_PART", part.to_owned()),
        ]
        .into_iter()
        .map(|(name, value)| (name.to_owned(), value))
        .collect()
    }
}

pub fn pre_steps(job: &Job, environment: StepEnvironment) -> Vec<Step> {
    let steps = job.pre.iter();
    steps
        .map(|spec| own_step(job, spec, Part::Pre, environment))
        .collect()
}

pub fn post_steps(job: &Job, environment: StepEnvironment) -> Vec<Step> {
    let steps = job.post.iter();
    steps
        .map(|spec| own_step(job, spec, Part::Post, environment))
        .collect()
}

fn own_step(job: &Job, spec: &StepSpec, part: Part, environment: StepEnvironment) -> Step {
    let mut argv = Argv::new(&spec.run[0]).args(&spec.run[1..]);
    let account = spec
        .user
        .as_ref()
        .and_then(|user| environment.accounts.get(user));
    if let (Some(user), Some(account)) = (&spec.user, account) {
        argv = argv
            .env("HOME", &account.home)
            .env("SHELL", &account.shell)
            .env("USER", user)
            .env("LOGNAME", user);
    }
    for (name, value) in environment.variables(job, part).iter().chain(&spec.env) {
        argv = argv.env(name, value);
    }
    if let Some(user) = &spec.user {
        // an account that does not exist stops the plan; setpriv would refuse it too
        let group = account.map_or(user.clone(), |account| account.group.to_string());
        argv = setpriv::as_user(user, &group, argv);
    }
    Step {
        words: format!(
            "{} step `{}`",
            if part == Part::Pre { "pre" } else { "post" },
            spec.run.join(" ")
        ),
        part,
        on: if part == Part::Pre {
            On::Success
        } else {
            spec.on
        },
        timeout: Some(spec.timeout.map_or(STEP_TIMEOUT, Span::duration)),
        act: Act::Tool(Pipeline::plain(argv).reading(Reading::OwnStep)),
    }
}
