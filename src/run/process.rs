//! Runs one pipeline of a plan: starts its stages, hears them, ends them when something cuts in.

use std::io;
use std::sync::mpsc::{self, Receiver, RecvTimeoutError};
use std::time::{Duration, Instant};

use duct::Handle;
use rustix::process::{Pid, Signal, kill_process_group};

use super::control::{Control, Cut};
use super::output::Heard;
use super::start::Starter;
pub use super::start::Surroundings;
use crate::plan::Pipeline;
use crate::system;
use crate::tools::Ended;

#[derive(Debug)]
pub struct PipelineEnd {
    pub ends: Vec<Ended>,
    pub cut: Option<Cut>,
    /// The last lines of standard error, of all stages.
    pub errors: String,
}

/// How long a process may take to clean up after SIGTERM before it is killed.
const GRACE: Duration = Duration::from_secs(15);

/// How long output is waited for after the last process ended: a daemon it left may hold the pipe open.
const LAST_WORDS: Duration = Duration::from_secs(2);

/// How many lines may wait to be taken in before who writes them has to wait: memory stays flat.
const LINES_AHEAD: usize = 256;

const GLANCE: Duration = Duration::from_millis(100);

/// Runs the pipeline to its end. `hear` is given each line as it comes, `glance` is called about ten
/// times a second and may cut in.
///
/// # Errors
/// When a program cannot be started or a file of the job's folder cannot be opened.
pub fn run_pipeline(
    pipeline: &Pipeline,
    surroundings: &Surroundings,
    control: &Control,
    hear: &mut dyn FnMut(&Heard),
    glance: &mut dyn FnMut() -> Option<Cut>,
) -> io::Result<PipelineEnd> {
    let (sender, receiver) = mpsc::sync_channel(LINES_AHEAD);
    let starter = Starter {
        pipeline,
        surroundings,
        sender,
    };
    let handles = starter.start_all()?;
    let mut watcher = Watcher {
        handles: &handles,
        control,
        cut: None,
        kill_at: None,
        errors: Vec::new(),
    };
    watcher.watch(&receiver, hear, glance)?;
    if watcher.cut.is_some() {
        // what a stage started and left behind goes too, before its group's number can be given out again
        for handle in &handles {
            signal(handle, Signal::KILL);
        }
    }
    let (cut, errors) = (watcher.cut, watcher.errors.join("\n"));
    let ends = handles
        .iter()
        .map(|handle| Ok(system::ended(handle.wait()?.status)))
        .collect::<io::Result<_>>()?;
    Ok(PipelineEnd { ends, cut, errors })
}

/// Signals the group that a stage leads.
pub fn signal(handle: &Handle, signal: Signal) {
    let pids = handle
        .pids()
        .into_iter()
        .filter_map(|pid| i32::try_from(pid).ok());
    for pid in pids.filter_map(Pid::from_raw) {
        // gone already is as good
        let _ = kill_process_group(pid, signal);
    }
}

struct Watcher<'a> {
    handles: &'a [Handle],
    control: &'a Control,
    cut: Option<Cut>,
    kill_at: Option<Instant>,
    errors: Vec<String>,
}

impl Watcher<'_> {
    fn watch(
        &mut self,
        receiver: &Receiver<Heard>,
        hear: &mut dyn FnMut(&Heard),
        glance: &mut dyn FnMut() -> Option<Cut>,
    ) -> io::Result<()> {
        let mut all_ended: Option<Instant> = None;
        let mut next_glance = Instant::now();
        loop {
            match receiver.recv_timeout(GLANCE) {
                Ok(heard) => {
                    self.remember(&heard);
                    hear(&heard);
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => {
                    if self.have_ended()? {
                        return Ok(());
                    }
                    std::thread::sleep(GLANCE / 10);
                }
            }
            if Instant::now() < next_glance {
                continue;
            }
            next_glance = Instant::now() + GLANCE;
            let outside = glance();
            self.look_for_cut(outside);
            if all_ended.is_none() && self.have_ended()? {
                all_ended = Some(Instant::now());
            }
            if all_ended.is_some_and(|since| since.elapsed() > LAST_WORDS) {
                return Ok(());
            }
        }
    }

    fn have_ended(&self) -> io::Result<bool> {
        for handle in self.handles {
            if handle.try_wait()?.is_none() {
                return Ok(false);
            }
        }
        Ok(true)
    }

    fn look_for_cut(&mut self, outside: Option<Cut>) {
        if let Some(kill_at) = self.kill_at {
            if Instant::now() >= kill_at {
                for handle in self.handles {
                    signal(handle, Signal::KILL);
                }
            }
            return;
        }
        if let Some(cut) = self.control.cut().or(outside) {
            self.cut = Some(cut);
            self.kill_at = Some(Instant::now() + GRACE);
            self.handles
                .iter()
                .for_each(|handle| signal(handle, Signal::TERM));
        }
    }

    fn remember(&mut self, heard: &Heard) {
        if let Heard::Error(line) = heard {
            if self.errors.len() >= 40 {
                self.errors.remove(0);
            }
            self.errors.push(line.clone());
        }
    }
}
