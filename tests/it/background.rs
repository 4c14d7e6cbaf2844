//! A run in the background, which a test looks at, signals and waits for.

use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};

use crate::world::Shown;

pub struct Background(Option<Child>);

impl Drop for Background {
    fn drop(&mut self) {
        if let Some(child) = &mut self.0 {
            let _ = child.kill();
            let _ = child.wait();
        }
    }
}

impl Background {
    pub fn start(mut command: Command) -> Self {
        command
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped());
        Self(Some(command.spawn().unwrap()))
    }

    pub fn id(&self) -> u32 {
        self.0.as_ref().unwrap().id()
    }

    /// Gone already is as good.
    pub fn signal(&self, signal: Signal) {
        let pid = Pid::from_raw(i32::try_from(self.0.as_ref().unwrap().id()).unwrap()).unwrap();
        let _ = kill_process(pid, signal);
    }

    pub fn is_over(&mut self) -> bool {
        self.0.as_mut().unwrap().try_wait().unwrap().is_some()
    }

    /// Waits for its end, at most this long; killed then, and the test fails.
    #[track_caller]
    pub fn end_within(mut self, limit: Duration) -> Shown {
        let begun = Instant::now();
        while !self.is_over() && begun.elapsed() < limit {
            std::thread::sleep(Duration::from_millis(10));
        }
        let in_time = self.is_over();
        let mut child = self.0.take().unwrap();
        let _ = child.kill();
        let shown = Shown::of(&child.wait_with_output().unwrap());
        assert!(
            in_time,
            "not over after {limit:?}: {} {}",
            shown.out, shown.errors
        );
        shown
    }
}

/// Waits until something holds, at most 20 seconds.
#[track_caller]
pub fn until(what: &str, mut holds: impl FnMut() -> bool) {
    let begun = Instant::now();
    while !holds() {
        assert!(begun.elapsed() < Duration::from_secs(20), "never: {what}");
        std::thread::sleep(Duration::from_millis(10));
    }
}
