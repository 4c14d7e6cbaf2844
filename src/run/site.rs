//! Where copies that are looked at lie: on a drive that is held here, or on another host.

use std::os::fd::{AsFd, OwnedFd};
use std::path::PathBuf;

use rayon::{ThreadPool, ThreadPoolBuilder};

use super::Executor;
use crate::plan::Stop;
use crate::prove::verify::{
    Checked, FarReading, Known, Order, Pace, Reading, Sum, check_copy, check_far_copy, device_of,
    not_compared,
};
use crate::record::{Generation, Outcome};
use crate::tools::ssh::SshLine;

/// Where the copies lie.
pub(super) enum Site<'e> {
    Here {
        folder: OwnedFd,
        device: u64,
        pool: ThreadPool,
    },
    There {
        line: &'e SshLine,
        folder: PathBuf,
    },
}

/// What all copies of one look share.
pub(super) struct Shared<'a> {
    pub known: &'a Known,
    pub pace: &'a Pace<'a>,
    pub tell: &'a (dyn Fn(&Sum, Option<&[u8]>) + Sync),
}

impl<'e> Executor<'e> {
    pub(super) fn site(&mut self) -> Result<Site<'e>, Stop> {
        let landing = &self.plan.landing;
        if let Some(line) = landing.ssh() {
            self.done.notes.extend(not_compared(line));
            return Ok(Site::There {
                line,
                folder: landing.path(),
            });
        }
        let folder = self.hands()?.folder();
        let folder = folder.map_err(|error| self.drive_error(&error))?;
        let device = device_of(folder.as_fd()).map_err(|error| self.drive_error(&error))?;
        let pool = pool().map_err(|words| Stop::new(Outcome::Failed, words))?;
        Ok(Site::Here {
            folder,
            device,
            pool,
        })
    }
}

impl Site<'_> {
    /// The device of the copies; another host's is known once it was asked.
    pub fn device(&self) -> Option<u64> {
        match self {
            Self::Here { device, .. } => Some(*device),
            Self::There { .. } => None,
        }
    }

    pub fn check(
        &self,
        copy: &Generation,
        order: &Order,
        shared: &Shared,
    ) -> Result<Checked, Stop> {
        let Shared { known, pace, tell } = *shared;
        match self {
            Self::Here { folder, pool, .. } => {
                let reading = Reading {
                    pool,
                    known,
                    pace,
                    tell,
                };
                check_copy(folder.as_fd(), copy, order, &reading)
                    .map_err(|error| Stop::new(Outcome::Failed, error.to_string()))
            }
            Self::There { line, folder } => {
                let reading = FarReading {
                    line,
                    folder,
                    known,
                    pace,
                    tell,
                };
                check_far_copy(copy, order, &reading)
            }
        }
    }
}

/// A pool of our own: the one that all share may be busy with other things.
fn pool() -> Result<ThreadPool, String> {
    let builder = ThreadPoolBuilder::new().thread_name(|index| format!("verify-{index}"));
    builder
        .build()
        .map_err(|error| format!("no threads can be started: {error}"))
}
