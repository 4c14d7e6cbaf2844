//! Watches a drive while something is copied to it: is it still there, is the reserve still free?

use std::sync::mpsc::{Receiver, Sender, channel};
use std::thread;
use std::time::{Duration, Instant};

use super::control::Cut;
use crate::jobs::Size;
use crate::plan::{Landing, Space, Stop};
use crate::record::Outcome;
use crate::system::local_drive::{HeldDrive, Purpose};
use crate::system::remote_drive;
use crate::tools::ssh::SshLine;

/// How often a local drive is looked at.
const LOCAL_EVERY: Duration = Duration::from_millis(500);

/// How often another host is asked for its free space.
const REMOTE_EVERY: Duration = Duration::from_secs(30);

pub struct Watch<'a> {
    landing: &'a Landing,
    reserve: u64,
    next: Instant,
    eye: Eye<'a>,
}

enum Eye<'a> {
    Local(&'a HeldDrive),
    /// Asked in a thread of its own, so that a slow network holds nothing up. Dropping the sender ends it.
    Remote {
        answers: Receiver<Space>,
        _until_dropped: Sender<()>,
    },
    None,
}

impl<'a> Watch<'a> {
    pub fn new(landing: &'a Landing, reserve: u64, held: Option<&'a HeldDrive>) -> Self {
        let eye = match (held, landing.ssh()) {
            (Some(held), _) => Eye::Local(held),
            (None, Some(line)) => remote_eye(landing, line),
            (None, None) => Eye::None,
        };
        Self {
            landing,
            reserve,
            next: Instant::now(),
            eye,
        }
    }

    /// To be called often; looks only when it is time.
    pub fn glance(&mut self) -> Option<Cut> {
        match &self.eye {
            Eye::Local(held) => {
                if Instant::now() < self.next {
                    return None;
                }
                self.next = Instant::now() + LOCAL_EVERY;
                if !held.is_still_there() {
                    return Some(Cut::Drive(self.lost()));
                }
                self.short(held.space().ok()?)
            }
            Eye::Remote { answers, .. } => self.short(answers.try_iter().last()?),
            Eye::None => None,
        }
    }

    fn short(&self, space: Space) -> Option<Cut> {
        if space.free >= self.reserve {
            return None;
        }
        Some(Cut::Drive(full(&self.landing.drive, space, self.reserve)))
    }

    pub fn lost(&self) -> Stop {
        let reason = format!(
            "drive `{}` went away during the run: it is no longer mounted and writable",
            self.landing.drive
        );
        Stop::new(Outcome::DriveLost, reason)
            .advise("look at the cable, the disk and `dmesg`; check the file system before it is mounted again")
            .advise("earlier generations were not touched")
    }
}

/// The drive ran into its reserve.
pub fn full(drive: &crate::jobs::Name, space: Space, reserve: u64) -> Stop {
    let reason = format!(
        "drive `{drive}` has {} free, less than its reserve of {}",
        Size(space.free),
        Size(reserve)
    );
    Stop::new(Outcome::DriveFull, reason)
        .advise(
            "the copy was stopped before the drive was full; earlier generations were not touched",
        )
        .advise(
            "make room: shorten `[[keep]]` or set a `cap`, lower `reserve`, or use a larger drive",
        )
}

fn remote_eye(landing: &Landing, line: &SshLine) -> Eye<'static> {
    let (drive, line) = (landing.drive.clone(), line.clone());
    let path = landing.drive_path().to_owned();
    let (answer, answers) = channel();
    let (until_dropped, dropped) = channel::<()>();
    thread::spawn(move || {
        // a timeout means that the run goes on; anything else that it is over
        while dropped.recv_timeout(REMOTE_EVERY) == Err(std::sync::mpsc::RecvTimeoutError::Timeout)
        {
            if let Ok(space) = remote_drive::probe(&drive, &line, &path, Purpose::Reading)
                && answer.send(space).is_err()
            {
                break;
            }
        }
    });
    Eye::Remote {
        answers,
        _until_dropped: until_dropped,
    }
}
