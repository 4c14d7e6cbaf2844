//! Where copies that are looked at lie: on a drive that is held here, or on another host.

use std::os::fd::{AsFd, OwnedFd};
use std::path::PathBuf;

use rayon::{ThreadPool, ThreadPoolBuilder};

use super::Executor;
use crate::plan::Stop;
use crate::prove::verify::{
    Checked, Ended, FarReading, Known, Order, Pace, Reading, Sum, check_copy, check_far_copy,
    device_of, not_compared,
};
use crate::record::{Form, Generation, Outcome, State, catalogue};
use crate::system::job_folder::list_remote;
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
#[derive(Clone, Copy)]
pub(super) struct Shared<'a> {
    pub known: &'a Known,
    pub pace: &'a Pace<'a>,
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

    /// # Errors
    /// When the copy cannot be looked at.
    pub fn check(
        &self,
        copy: &Generation,
        order: &Order,
        shared: Shared,
        tell: &(dyn Fn(&Sum, Option<&[u8]>) + Sync),
    ) -> Result<Checked, Stop> {
        let Shared { known, pace } = shared;
        let mut checked = match self {
            Self::Here { folder, pool, .. } => {
                let reading = Reading {
                    pool,
                    known,
                    pace,
                    tell,
                };
                check_copy(folder.as_fd(), copy, order, &reading)
                    .map_err(|error| Stop::new(Outcome::Failed, error.to_string()))?
            }
            Self::There { line, folder } => {
                let reading = FarReading {
                    line,
                    folder,
                    known,
                    pace,
                    tell,
                };
                check_far_copy(copy, order, &reading)?
            }
        };
        if self.is_being_updated(copy)? {
            checked.ended = Ended::Gone;
        }
        Ok(checked)
    }

    /// Whether a run has begun to update the mirror: its manifest is still that of before.
    fn is_being_updated(&self, copy: &Generation) -> Result<bool, Stop> {
        if copy.form != Form::Current {
            return Ok(false);
        }
        let listed = match self {
            Self::Here { folder, .. } => catalogue::read_in(folder.as_fd())
                .map(|(listed, _)| listed)
                .unwrap_or_default(),
            Self::There { line, folder } => list_remote(line, folder)?.catalogue,
        };
        let own = listed.iter().filter(|one| one.form == Form::Current);
        Ok(own.into_iter().any(|one| one.state == State::Updating))
    }
}

/// A pool of our own: the one that all share may be busy with other things.
fn pool() -> Result<ThreadPool, String> {
    let builder = ThreadPoolBuilder::new().thread_name(|index| format!("verify-{index}"));
    builder
        .build()
        .map_err(|error| format!("no threads can be started: {error}"))
}
