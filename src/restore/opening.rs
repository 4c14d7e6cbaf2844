//! Opens what lies closed and compressed on a drive, into the program that takes it.

use std::path::Path;

use crate::jobs::{Encrypt, Job};
use crate::plan::{Argv, Landing, Stdin, Stop};
use crate::record::{Form, Generation, Outcome};
use crate::tools::seal::Opener;
use crate::tools::{files, seal, zstd};

/// An archive or export that is to be read.
#[derive(Debug, Clone)]
pub struct Opening<'a> {
    pub job: &'a Job,
    pub generation: &'a Generation,
    pub landing: &'a Landing,
    /// A secret given on the command line, rather than the job's own.
    pub opener: Option<Opener>,
    pub own_program: &'a Path,
}

impl Opening<'_> {
    /// The first stages of a pipeline, and what they read.
    ///
    /// # Errors
    /// When nothing says with which secret it is opened.
    pub fn stages(&self) -> Result<(Stdin, Vec<Argv>), Stop> {
        let entry = self.generation.form.entry(self.generation.name);
        let mut stages = Vec::new();
        let stdin = match self.landing.ssh() {
            None => Stdin::File(entry.into()),
            Some(line) => {
                stages.push(line.command(&files::print(&self.landing.path().join(entry))));
                Stdin::Nothing
            }
        };
        if self.generation.form == Form::SealedTar {
            stages.push(seal::open(self.own_program, &self.opener()?));
        }
        stages.push(zstd::expand());
        Ok((stdin, stages))
    }

    /// # Errors
    /// When nothing says with which secret it is opened.
    pub fn opener(&self) -> Result<Opener, Stop> {
        if let Some(opener) = &self.opener {
            return Ok(opener.clone());
        }
        match self.job.kind.encrypt() {
            Some(Encrypt::Passphrase(file)) => return Ok(Opener::PassphraseFile(file.clone())),
            Some(Encrypt::Credential(name)) => return Ok(Opener::Credential(name.clone())),
            Some(Encrypt::Recipients(_)) | None => {}
        }
        let reason =
            "the archive is closed, and the job file does not say with which secret it is opened";
        Err(Stop::new(Outcome::Failed, reason)
            .advise("give `--identity-file FILE` with the secret key, or `--passphrase-file FILE`"))
    }
}
