//! When a part of each drive is re-read, and the processes that do it: beside the jobs, whom they hold up in nothing.

use std::collections::BTreeMap;
use std::process::Child;

use jiff::Timestamp;
use rustix::process::{Pid, Signal, kill_process};

use super::host::Host;
use super::{Timetable, Verdict, verdict};
use crate::jobs::{CatchUp, Config, Name};

/// What each drive with a `reread` waits for.
#[derive(Debug, Default)]
pub(super) struct Slices {
    handled: BTreeMap<Name, Timestamp>,
    next: BTreeMap<Name, Timestamp>,
    running: BTreeMap<Name, Child>,
}

impl Slices {
    /// Takes over a new configuration. A drive whose times changed counts from `now`.
    pub fn reload<H: Host>(
        &mut self,
        host: &mut H,
        old: Option<&Config>,
        new: &Config,
        now: Timestamp,
    ) {
        self.next.clear();
        let times = |config: &Config, name: &Name| {
            let reread = config.drives.get(name)?.reread.as_ref()?;
            Some((reread.schedule.clone(), config.server.time_zone.clone()))
        };
        for name in new.drives.keys() {
            let before = old.and_then(|old| times(old, name));
            if before.is_some() && before != times(new, name) {
                self.set_handled(host, name, now);
            }
        }
        self.handled.retain(|name, _| times(new, name).is_some());
    }

    /// Starts what is due.
    pub fn look<H: Host>(&mut self, host: &mut H, config: &Config, now: Timestamp) {
        for (name, drive) in &config.drives {
            let Some(reread) = &drive.reread else {
                continue;
            };
            // what falls due meanwhile is looked at when it ends
            if self.running.contains_key(name) {
                self.next.remove(name);
                continue;
            }
            loop {
                let timetable = Timetable {
                    crontab: &reread.schedule,
                    catch_up: CatchUp::RunSoon,
                    handled: self.handled(host, name),
                };
                match verdict(timetable, &config.server.time_zone, now) {
                    Verdict::Run { planned, .. } => {
                        self.set_handled(host, name, planned);
                        self.start(host, name, planned);
                        break;
                    }
                    Verdict::CountFrom(time) | Verdict::Missed { planned: time } => {
                        self.set_handled(host, name, time);
                    }
                    Verdict::Wait { until } => {
                        self.next.remove(name);
                        self.next.extend(until.map(|until| (name.clone(), until)));
                        break;
                    }
                }
            }
        }
    }

    /// When to look again.
    pub fn next(&self) -> Option<Timestamp> {
        self.next.values().min().copied()
    }

    fn handled<H: Host>(&mut self, host: &mut H, drive: &Name) -> Option<Timestamp> {
        if let Some(handled) = self.handled.get(drive) {
            return Some(*handled);
        }
        let stored = host.slice_handled(drive).unwrap_or_else(|error| {
            tracing::warn!("cannot read when drive `{drive}` was last re-read: {error}");
            None
        });
        self.handled
            .extend(stored.map(|time| (drive.clone(), time)));
        stored
    }

    fn set_handled<H: Host>(&mut self, host: &mut H, drive: &Name, time: Timestamp) {
        self.handled.insert(drive.clone(), time);
        if let Err(error) = host.set_slice_handled(drive, time) {
            tracing::warn!("cannot store a handled time: {error}");
        }
    }

    fn start<H: Host>(&mut self, host: &mut H, drive: &Name, planned: Timestamp) {
        match host.start_slice(drive, planned) {
            Ok(child) => {
                tracing::info!("re-reading a part of drive `{drive}`, planned for {planned}");
                self.running.insert(drive.clone(), child);
            }
            Err(error) => tracing::error!("drive `{drive}` cannot be re-read: {error}"),
        }
    }

    /// Takes out those whose process has ended; tells whether there were any.
    pub fn reap(&mut self) -> bool {
        let before = self.running.len();
        self.running.retain(|name, child| match child.try_wait() {
            Ok(Some(status)) => {
                tracing::info!("re-reading a part of drive `{name}` ended: {status}");
                false
            }
            Ok(None) => true,
            Err(error) => {
                tracing::warn!("cannot ask after the re-reading of `{name}`: {error}");
                true
            }
        });
        self.running.len() < before
    }

    pub fn is_idle(&self) -> bool {
        self.running.is_empty()
    }

    /// Asks each to stop; the next part begins where it was.
    pub fn terminate(&self) {
        for (name, child) in &self.running {
            let pid = i32::try_from(child.id()).ok().and_then(Pid::from_raw);
            if let Some(Err(error)) = pid.map(|pid| kill_process(pid, Signal::TERM)) {
                tracing::warn!("cannot stop the re-reading of `{name}`: {error}");
            }
        }
    }
}
