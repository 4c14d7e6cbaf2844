//! What can end a step before its time: a signal, a timeout, the drive.

use std::io;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use signal_hook::consts::{SIGHUP, SIGINT, SIGTERM};

use crate::plan::Stop;
use crate::record::Outcome;

/// Why a step was ended from outside.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Cut {
    Signal,
    TimedOut(Limit),
    Drive(Stop),
}

/// A span that something may take.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limit {
    pub time: Duration,
    pub of: LimitOf,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LimitOf {
    Run,
    Step,
}

impl Cut {
    pub fn stop(&self) -> Stop {
        match self {
            Self::Signal => Stop::new(Outcome::Stopped, "the run was told to stop")
                .advise("what was copied so far is kept aside and used by the next run"),
            Self::TimedOut(limit) => {
                let seconds = limit.time.as_secs();
                if limit.of == LimitOf::Step {
                    let reason = format!("the step took longer than its timeout of {seconds} s");
                    return Stop::new(Outcome::TimedOut, reason).advise(
                        "see why it hangs; if it needs the time, give the step a longer `timeout` in the job file",
                    );
                }
                let reason = format!("the run took longer than its timeout of {seconds} s");
                Stop::new(Outcome::TimedOut, reason)
                    .advise("what was copied so far is kept aside and used by the next run")
                    .advise("if the copy needs the time, raise `timeout` in the job file")
            }
            Self::Drive(stop) => stop.clone(),
        }
    }
}

/// Set by SIGINT, SIGTERM or SIGHUP, read between and during steps.
#[derive(Debug, Clone, Default)]
pub struct StopSignal(Arc<AtomicUsize>);

impl StopSignal {
    /// Listens for the signals from now on.
    ///
    /// # Errors
    /// When the handlers cannot be installed.
    pub fn listen() -> io::Result<Self> {
        let signal = Self::default();
        for number in [SIGINT, SIGTERM, SIGHUP] {
            let value = usize::try_from(number).unwrap_or(1);
            signal_hook::flag::register_usize(number, Arc::clone(&signal.0), value)?;
        }
        Ok(signal)
    }

    pub fn is_set(&self) -> bool {
        self.0.load(Ordering::Relaxed) != 0
    }

    /// As if a signal had come.
    pub fn set(&self) {
        self.0.store(1, Ordering::Relaxed);
    }
}

/// The limits of one step.
#[derive(Debug, Clone)]
pub struct Control {
    /// Absent for post steps: a service must be started again whatever is asked meanwhile.
    pub signal: Option<StopSignal>,
    /// When the step must be over, and the limit that set it.
    pub deadline: Option<(Instant, Limit)>,
}

impl Control {
    pub fn cut(&self) -> Option<Cut> {
        if self.signal.as_ref().is_some_and(StopSignal::is_set) {
            return Some(Cut::Signal);
        }
        let (deadline, limit) = self.deadline?;
        (Instant::now() >= deadline).then_some(Cut::TimedOut(limit))
    }

    /// The same, with a nearer deadline if `limit` from now is nearer.
    #[must_use]
    pub fn within(mut self, limit: Option<Duration>) -> Self {
        if let Some(limit) = limit {
            let end = Instant::now() + limit;
            if self.deadline.is_none_or(|(deadline, _)| end < deadline) {
                let limit = Limit {
                    time: limit,
                    of: LimitOf::Step,
                };
                self.deadline = Some((end, limit));
            }
        }
        self
    }
}
