//! In which order jobs that are due run, and whether a job's turn has come after those it names.
//!
//! "Tonight" in `after = ["accounts"]` means: the newest run of `accounts` ended well, and it started
//! within the last 24 hours or since its own latest planned time, whichever reaches further back. So a
//! nightly job may follow a weekly one all week, and a job run by hand counts for a day.

use std::collections::BTreeSet;

use jiff::{SignedDuration, Timestamp};

use crate::jobs::Name;

/// A job whose time has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Queued<'a> {
    pub name: &'a Name,
    pub planned: Timestamp,
    pub after: &'a [Name],
}

/// The order in which queued jobs are tried: after those they name, then by planned time, then by name.
///
/// Jobs that name each other in a circle are all returned, in the order of time and name.
pub fn in_order(mut jobs: Vec<Queued<'_>>) -> Vec<Queued<'_>> {
    jobs.sort_by_key(|job| (job.planned, job.name));
    let mut left: BTreeSet<&Name> = jobs.iter().map(|job| job.name).collect();
    let mut ordered = Vec::with_capacity(jobs.len());
    while !jobs.is_empty() {
        let free = jobs
            .iter()
            .position(|job| !job.after.iter().any(|name| left.contains(name)));
        let job = jobs.remove(free.unwrap_or(0));
        left.remove(job.name);
        ordered.push(job);
    }
    ordered
}

/// Whether a job named in `after` still has something to do.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Activity {
    Idle,
    /// Due, running, or waiting for its own turn.
    Busy,
}

/// The newest record of a job.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LastRun {
    pub started: Timestamp,
    pub end: RunEnd,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum RunEnd {
    Well,
    /// How it ended, in a few words, such as "failed" or "drive not attached".
    NotWell(String),
    /// Still going on, for example started by hand.
    Unfinished,
}

/// A job named in `after`, and what is known of it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Predecessor<'a> {
    pub name: &'a Name,
    pub activity: Activity,
    pub last_run: Option<LastRun>,
    /// Its latest planned time up to now, if it has a schedule.
    pub latest_planned: Option<Timestamp>,
}

/// Whether a job may start, as far as those before it are concerned.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Gate {
    Open,
    /// Wait: this one has still something to do.
    Hold {
        behind: Name,
    },
    /// Do not run tonight; the reason reads "after `accounts`, which failed".
    Refuse {
        reason: String,
    },
}

/// The gate for a job with these predecessors. One that ended badly decides before one that is busy.
pub fn gate(predecessors: &[Predecessor<'_>], now: Timestamp) -> Gate {
    let mut gate = Gate::Open;
    for before in predecessors {
        match single_gate(before, now) {
            Gate::Refuse { reason } => return Gate::Refuse { reason },
            Gate::Hold { behind } if gate == Gate::Open => gate = Gate::Hold { behind },
            Gate::Hold { .. } | Gate::Open => {}
        }
    }
    gate
}

fn single_gate(before: &Predecessor<'_>, now: Timestamp) -> Gate {
    let name = before.name;
    let hold = || Gate::Hold {
        behind: name.clone(),
    };
    let refuse = |what: &str| Gate::Refuse {
        reason: format!("after `{name}`, which {what}"),
    };
    if before.activity == Activity::Busy {
        return hold();
    }
    let Some(run) = &before.last_run else {
        return refuse("has never run");
    };
    match &run.end {
        RunEnd::Unfinished => hold(),
        RunEnd::NotWell(words) if words == "failed" => refuse("failed"),
        RunEnd::NotWell(words) => refuse(&format!("did not end well ({words})")),
        RunEnd::Well if run.started >= tonight(before.latest_planned, now) => Gate::Open,
        RunEnd::Well => refuse("has not run tonight"),
    }
}

/// Runs that started from this instant on count as tonight's.
fn tonight(latest_planned: Option<Timestamp>, now: Timestamp) -> Timestamp {
    let day = now
        .saturating_sub(SignedDuration::from_hours(24))
        .unwrap_or(Timestamp::MIN);
    latest_planned.map_or(day, |planned| planned.min(day))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn name(text: &str) -> Name {
        Name::parse(text).unwrap()
    }

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    const NOW: &str = "2026-11-25T02:30:00Z";

    #[track_caller]
    fn gate_after(
        activity: Activity,
        last_run: Option<(&str, RunEnd)>,
        planned: Option<&str>,
        expected: &Gate,
    ) {
        let accounts = name("accounts");
        let before = Predecessor {
            name: &accounts,
            activity,
            last_run: last_run.map(|(started, end)| LastRun {
                started: at(started),
                end,
            }),
            latest_planned: planned.map(at),
        };
        assert_eq!(&gate(&[before], at(NOW)), expected);
    }

    fn refused(reason: &str) -> Gate {
        Gate::Refuse {
            reason: reason.to_owned(),
        }
    }

    #[test]
    fn jobs_run_after_those_they_name_then_by_time_and_name() {
        let [accounts, orders, studio, web] =
            ["accounts", "orders", "studio-files", "web"].map(name);
        let (early, late) = (at("2026-11-25T02:00:00Z"), at(NOW));
        let after_web = [web.clone()];
        let queued = |name, planned, after| Queued {
            name,
            planned,
            after,
        };
        let ordered = in_order(vec![
            queued(&web, late, &[]),
            queued(&studio, early, &[]),
            queued(&orders, late, &[]),
            queued(&accounts, late, &after_web),
        ]);
        let names: Vec<&str> = ordered.iter().map(|job| job.name.as_str()).collect();
        assert_eq!(names, ["studio-files", "orders", "web", "accounts"]);
    }

    #[test]
    fn a_run_that_ended_well_within_a_day_opens_the_gate() {
        let idle = Activity::Idle;
        gate_after(
            idle,
            Some(("2026-11-24T02:30:00Z", RunEnd::Well)),
            None,
            &Gate::Open,
        );
        gate_after(
            idle,
            Some(("2026-11-24T02:29:59Z", RunEnd::Well)),
            None,
            &refused("after `accounts`, which has not run tonight"),
        );
    }

    #[test]
    fn a_weekly_job_that_ran_since_its_planned_time_opens_the_gate() {
        let started = Some(("2026-11-22T03:00:00Z", RunEnd::Well));
        gate_after(
            Activity::Idle,
            started.clone(),
            Some("2026-11-22T03:00:00Z"),
            &Gate::Open,
        );
        gate_after(
            Activity::Idle,
            started,
            Some("2026-11-23T03:00:00Z"),
            &refused("after `accounts`, which has not run tonight"),
        );
    }

    #[test]
    fn a_job_waits_behind_one_that_is_busy_or_runs_by_hand() {
        let hold = Gate::Hold {
            behind: name("accounts"),
        };
        let failed = RunEnd::NotWell("failed".to_owned());
        gate_after(
            Activity::Busy,
            Some(("2026-11-24T02:30:00Z", failed)),
            None,
            &hold,
        );
        gate_after(Activity::Idle, Some((NOW, RunEnd::Unfinished)), None, &hold);
    }

    #[test]
    fn a_job_is_refused_after_one_that_did_not_end_well() {
        let ended = |words: &str| Some((NOW, RunEnd::NotWell(words.to_owned())));
        let idle = Activity::Idle;
        gate_after(
            idle,
            ended("failed"),
            None,
            &refused("after `accounts`, which failed"),
        );
        gate_after(
            idle,
            ended("drive not attached"),
            None,
            &refused("after `accounts`, which did not end well (drive not attached)"),
        );
        gate_after(
            idle,
            None,
            None,
            &refused("after `accounts`, which has never run"),
        );
    }

    proptest! {
        #[test]
        fn ordering_keeps_every_job_and_every_wish_that_is_no_circle(
            wishes in prop::collection::vec(prop::collection::vec(0usize..8, 0..3), 8),
            minutes in prop::collection::vec(0i64..3, 8),
        ) {
            let names: Vec<Name> = (0..8).map(|n| name(&format!("job-{n}"))).collect();
            // Only wishes for a job with a smaller number: such wishes never make a circle.
            let after: Vec<Vec<Name>> = wishes.iter().enumerate()
                .map(|(n, wishes)| wishes.iter().filter(|&&w| w < n).map(|&w| names[w].clone()).collect())
                .collect();
            let jobs = (0..8).map(|n| Queued {
                name: &names[n],
                planned: at(NOW) + SignedDuration::from_mins(minutes[n]),
                after: &after[n],
            }).rev().collect();
            let ordered = in_order(jobs);
            prop_assert_eq!(ordered.len(), 8);
            for (place, job) in ordered.iter().enumerate() {
                for name in job.after {
                    prop_assert!(ordered[..place].iter().any(|earlier| earlier.name == name));
                }
            }
        }
    }
}
