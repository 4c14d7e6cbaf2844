//! Keeps the two lists of generations in step: the drive's own catalogue and the record.

use std::io;
use std::os::fd::AsFd;
use std::path::PathBuf;
use std::time::Duration;

use jiff::Timestamp;

use super::drive_hands::DriveHands;
use crate::jobs::Name;
use crate::plan::{CatalogueAct, Landing, Plan};
use crate::record::{Changes, Form, Generation, State, Store, catalogue};
use crate::system::ask_with_input;
use crate::system::clock::Clock;
use crate::system::local_drive::HeldDrive;
use crate::tools::files;
use crate::tools::ssh::{HostKey, SshLine};

/// The generations of one job, as both lists have them.
pub struct CatalogueKeeper<'a> {
    pub store: &'a Store,
    pub clock: &'a dyn Clock,
    /// All that is known, retired ones too.
    pub known: Vec<Generation>,
    pub server: Name,
    pub run: String,
    pub sources: Vec<PathBuf>,
}

impl CatalogueKeeper<'_> {
    /// Changes what is known as `act` says, then writes the drive's list and the record, in that order:
    /// the drive's list is the one that lies with the data.
    ///
    /// # Errors
    /// What could not be written, in words.
    pub fn record(
        &mut self,
        act: &CatalogueAct,
        plan: &Plan,
        changes: &Changes,
        hands: Option<DriveHands>,
    ) -> io::Result<()> {
        let changed = match act {
            CatalogueAct::Updating => self.updating(),
            CatalogueAct::Whole => self.whole(plan, changes),
            CatalogueAct::Retired(names) => {
                self.change(|one| names.contains(&one.name), State::Retired)
            }
        };
        let written = self.write_catalogue(&plan.landing, hands);
        // A mirror on a drive that is full to the brim must not be kept from shrinking: the record alone says
        // then that it is being updated.
        let is_marked_elsewhere = |error: &io::Error| {
            *act == CatalogueAct::Updating && error.kind() == io::ErrorKind::StorageFull
        };
        match written {
            Err(error) if !is_marked_elsewhere(&error) => return Err(error),
            _ => {}
        }
        self.store
            .put_generations(&plan.landing.drive, &changed)
            .map_err(io::Error::other)
    }

    /// Writes all that is known into both lists.
    ///
    /// # Errors
    /// What could not be written, in words.
    pub fn write_lists(&self, landing: &Landing, held: Option<&HeldDrive>) -> io::Result<()> {
        self.write_catalogue(landing, held.map(|held| DriveHands { held, landing }))?;
        self.store
            .put_generations(&landing.drive, &self.known)
            .map_err(io::Error::other)
    }

    fn write_catalogue(&self, landing: &Landing, hands: Option<DriveHands>) -> io::Result<()> {
        match (hands, landing.ssh()) {
            (Some(hands), _) => catalogue::write_in(hands.folder()?.as_fd(), &self.known),
            (None, Some(line)) => {
                let path = landing.path().join(catalogue::FILE);
                write_remote(line, &path, catalogue::render(&self.known))
            }
            (None, None) => Ok(()),
        }
    }

    /// From here on the mirror is not what its last run made of it.
    fn updating(&mut self) -> Vec<Generation> {
        self.change(|one| one.form == Form::Current, State::Updating)
    }

    fn whole(&mut self, plan: &Plan, changes: &Changes) -> Vec<Generation> {
        let mut changed = if plan.form == Form::Current {
            self.change(|one| one.form == Form::Current, State::Retired)
        } else {
            Vec::new()
        };
        let generation = Generation {
            name: plan.generation,
            server: self.server.clone(),
            job: plan.job.clone(),
            kind: plan.kind,
            form: plan.form,
            state: State::Whole,
            ended: self.clock.now(),
            sources: self.sources.clone(),
            files: changes.files,
            bytes: changes.bytes,
            new_bytes: changes.new_bytes,
            run: self.run.clone(),
        };
        self.known.retain(|one| one.name != generation.name);
        self.known.insert(0, generation.clone());
        changed.push(generation);
        changed
    }

    fn change(&mut self, which: impl Fn(&Generation) -> bool, state: State) -> Vec<Generation> {
        let now: Timestamp = self.clock.now();
        let mut changed = Vec::new();
        for one in &mut self.known {
            if which(one) && one.state != State::Retired {
                one.state = state;
                one.ended = now;
                changed.push(one.clone());
            }
        }
        changed
    }
}

/// Writes a small file on another host whole or not at all.
///
/// # Errors
/// What ssh or the commands there said.
pub fn write_remote(line: &SshLine, path: &std::path::Path, text: String) -> io::Result<()> {
    let script = files::replace_from_stdin(path, text.len());
    let answer = ask_with_input(
        &line.script(&script, HostKey::Pinned),
        text.into_bytes(),
        Duration::from_secs(120),
    )?;
    if answer.is_well() {
        return Ok(());
    }
    let said = answer.stderr.trim().to_owned();
    let kind = if said.contains("No space left on device") {
        io::ErrorKind::StorageFull
    } else {
        io::ErrorKind::Other
    };
    Err(io::Error::new(
        kind,
        format!("`{}` on `{}`: {said}", path.display(), line.host),
    ))
}
