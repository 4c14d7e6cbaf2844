//! What every job is waiting for, in memory: pure decisions over plain data, no effects.

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;

use super::{
    Activity, Crontab, Gate, LastRun, Predecessor, Punctuality, Queued, RunEnd, Timetable, Verdict,
    gate, in_order, verdict,
};
use crate::jobs::{Config, Name};

/// A run that is due and has not started.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Pending {
    pub planned: Timestamp,
    pub punctuality: Punctuality,
}

#[derive(Debug, Default)]
struct Standing {
    /// Includes the planned time of a pending run, which is stored only when that run starts.
    handled: Option<Timestamp>,
    pending: Option<Pending>,
    next: Option<Timestamp>,
    /// The pending run found its job or drive in use, and is not tried again before this.
    put_off: Option<Timestamp>,
}

/// Something to store or record after time has passed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Note {
    Handled {
        job: Name,
        time: Timestamp,
    },
    Missed {
        job: Name,
        planned: Timestamp,
    },
    /// A run was put off until the next time came, which takes its place.
    Overtaken {
        job: Name,
        planned: Timestamp,
    },
}

/// The next thing to do with the queue.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Decision {
    Start {
        job: Name,
        pending: Pending,
    },
    Refuse {
        job: Name,
        planned: Timestamp,
        reason: String,
    },
}

/// Jobs that run now, and the drive that each of them uses.
pub type RunningJobs = BTreeMap<Name, Name>;

/// Every scheduled job's standing.
#[derive(Debug, Default)]
pub struct Agenda {
    standings: BTreeMap<Name, Standing>,
}

impl Agenda {
    /// Takes over a new configuration. A job whose times changed counts from `now`: a time that the new
    /// line names earlier today was never promised. `stored` gives what the record says of a new job.
    pub fn reload(
        &mut self,
        old: Option<&Config>,
        new: &Config,
        now: Timestamp,
        mut stored: impl FnMut(&Name) -> Option<Timestamp>,
    ) -> Vec<Note> {
        let mut notes = Vec::new();
        let mut before = std::mem::take(&mut self.standings);
        for (name, crontab) in scheduled(new) {
            let mut standing = match before.remove(name) {
                Some(standing) => standing,
                None => Standing {
                    handled: stored(name),
                    ..Standing::default()
                },
            };
            if old.is_some_and(|old| times_changed(old, new, name, crontab)) {
                standing.handled = Some(now);
                notes.push(Note::Handled {
                    job: name.clone(),
                    time: now,
                });
            }
            self.standings.insert(name.clone(), standing);
        }
        notes
    }

    /// Lets time pass: queues what is due, and tells what is to be stored or recorded.
    pub fn look(&mut self, config: &Config, running: &RunningJobs, now: Timestamp) -> Vec<Note> {
        let mut notes = Vec::new();
        for (name, crontab) in scheduled(config) {
            // At most one run of a job: what falls due meanwhile is looked at when it ends.
            if running.contains_key(name) {
                continue;
            }
            let Some(standing) = self.standings.get_mut(name) else {
                continue;
            };
            let catch_up = config.jobs[name].catch_up;
            loop {
                let timetable = Timetable {
                    crontab,
                    catch_up,
                    handled: standing.handled,
                };
                match verdict(timetable, &config.server.time_zone, now) {
                    Verdict::Run {
                        planned,
                        punctuality,
                    } => {
                        standing.handled = Some(planned);
                        if let (Some(_), Some(old)) = (standing.put_off.take(), standing.pending) {
                            notes.push(Note::Overtaken {
                                job: name.clone(),
                                planned: old.planned,
                            });
                        }
                        standing.pending = Some(Pending {
                            planned,
                            punctuality,
                        });
                    }
                    Verdict::Missed { planned } => {
                        standing.handled = Some(planned);
                        notes.push(Note::Missed {
                            job: name.clone(),
                            planned,
                        });
                    }
                    Verdict::CountFrom(time) => {
                        standing.handled = Some(time);
                        notes.push(Note::Handled {
                            job: name.clone(),
                            time,
                        });
                    }
                    Verdict::Wait { until } => {
                        standing.next = until;
                        break;
                    }
                }
            }
        }
        notes
    }

    /// The first queued job that can start or must be refused, if any.
    pub fn decide(
        &self,
        config: &Config,
        running: &RunningJobs,
        now: Timestamp,
        mut last_run: impl FnMut(&Name) -> Option<LastRun>,
    ) -> Option<Decision> {
        let queue = in_order(self.queue(config));
        let drives: BTreeSet<&Name> = running.values().collect();
        for queued in &queue {
            let name = queued.name;
            let predecessors: Vec<_> = queued
                .after
                .iter()
                .map(|before| Predecessor {
                    name: before,
                    activity: self.activity(before, running),
                    last_run: last_run(before),
                    latest_planned: latest_planned(config, before, now),
                })
                .collect();
            match gate(&predecessors, now) {
                Gate::Refuse { reason } => return Some(refuse(queued, reason)),
                Gate::Open
                    if !drives.contains(&config.jobs[name].drive)
                        && self.may_be_tried(name, now) =>
                {
                    let pending = self.standings.get(name)?.pending?;
                    return Some(Decision::Start {
                        job: name.clone(),
                        pending,
                    });
                }
                Gate::Open | Gate::Hold { .. } => {}
            }
        }
        self.circle(&queue, running)
    }

    /// Checking refuses files in which jobs name each other in a circle. Should it ever come to that here,
    /// nobody may wait for ever without a word.
    fn circle(&self, queue: &[Queued<'_>], running: &RunningJobs) -> Option<Decision> {
        let first = queue.first().filter(|_| running.is_empty())?;
        let behind = |job: &Queued<'_>| -> Option<Name> {
            let busy = |name: &&Name| self.activity(name, running) == Activity::Busy;
            job.after.iter().find(busy).cloned()
        };
        // Nothing runs and every queued job waits behind another queued one.
        let all_wait = queue.iter().all(|job| behind(job).is_some());
        let behind = behind(first).filter(|_| all_wait)?;
        Some(refuse(
            first,
            format!("after `{behind}`, which itself waits for another job in a circle"),
        ))
    }

    /// Whether a queued job waits behind a run that the service did not start and will not hear of.
    pub fn waits_behind_run_by_hand(
        &self,
        config: &Config,
        running: &RunningJobs,
        mut last_run: impl FnMut(&Name) -> Option<LastRun>,
    ) -> bool {
        self.queue(config)
            .iter()
            .flat_map(|job| job.after)
            .filter(|name| self.activity(name, running) == Activity::Idle)
            .any(|name| last_run(name).is_some_and(|run| run.end == RunEnd::Unfinished))
    }

    /// The queued run has started or was refused: it is no longer pending.
    pub fn take(&mut self, job: &Name) {
        if let Some(standing) = self.standings.get_mut(job) {
            standing.pending = None;
            standing.put_off = None;
        }
    }

    /// The run could not begin since its job or drive is in use: it is queued again, and tried at `until`.
    /// Not so if its job is gone from the files.
    pub fn put_off(&mut self, job: &Name, pending: Pending, until: Timestamp) {
        if let Some(standing) = self.standings.get_mut(job) {
            standing.pending = Some(pending);
            standing.put_off = Some(until);
        }
    }

    /// When the first of the runs that were put off is tried again.
    pub fn put_off_until(&self, now: Timestamp) -> Option<Timestamp> {
        let times = self.standings.values().filter_map(|one| one.put_off);
        times.filter(|&time| time > now).min()
    }

    fn may_be_tried(&self, job: &Name, now: Timestamp) -> bool {
        let put_off = self.standings.get(job).and_then(|one| one.put_off);
        put_off.is_none_or(|until| until <= now)
    }

    /// The next planned time of all, and whose it is. A running job's time may have passed: it is looked
    /// at when the run ends.
    pub fn next(&self, now: Timestamp) -> Option<(Timestamp, &Name)> {
        self.standings
            .iter()
            .filter_map(|(name, standing)| Some((standing.next?, name)))
            .filter(|&(time, _)| time > now)
            .min()
    }

    fn activity(&self, name: &Name, running: &RunningJobs) -> Activity {
        let pending = |standing: &Standing| standing.pending.is_some();
        if running.contains_key(name) || self.standings.get(name).is_some_and(pending) {
            Activity::Busy
        } else {
            Activity::Idle
        }
    }

    fn queue<'a>(&self, config: &'a Config) -> Vec<Queued<'a>> {
        let queued = |(name, standing): (&Name, &Standing)| {
            let (name, job) = config.jobs.get_key_value(name)?;
            Some(Queued {
                name,
                planned: standing.pending?.planned,
                after: &job.after,
            })
        };
        self.standings.iter().filter_map(queued).collect()
    }
}

fn refuse(queued: &Queued<'_>, reason: String) -> Decision {
    Decision::Refuse {
        job: queued.name.clone(),
        planned: queued.planned,
        reason,
    }
}

fn scheduled(config: &Config) -> impl Iterator<Item = (&Name, &Crontab)> {
    config
        .jobs
        .iter()
        .filter_map(|(name, job)| Some((name, job.schedule.as_ref()?)))
}

fn times_changed(old: &Config, new: &Config, name: &Name, crontab: &Crontab) -> bool {
    let zone_changed = old.server.time_zone != new.server.time_zone;
    let known = old.jobs.get(name).and_then(|job| job.schedule.as_ref());
    known.is_some_and(|known| known != crontab || zone_changed)
}

fn latest_planned(config: &Config, name: &Name, now: Timestamp) -> Option<Timestamp> {
    let crontab = config.jobs.get(name)?.schedule.as_ref()?;
    crontab.latest_in(&config.server.time_zone, Timestamp::MIN, now)
}

#[cfg(test)]
mod tests;
