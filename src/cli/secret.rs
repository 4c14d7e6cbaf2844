//! With what a closed copy is opened: a file, a credential of the service, or what a person types.

use std::fs::File;
use std::io::{self, IsTerminal, Write};
use std::os::fd::AsRawFd;
use std::path::PathBuf;

use super::arguments::SecretArguments;
use super::settings::trouble;
use crate::exit::Exit;
use crate::jobs::{Encrypt, Job};
use crate::tools::seal::Opener;

/// The secret, and what must live as long as it is used.
pub struct Secret {
    /// None where the job's own will do.
    pub opener: Option<Opener>,
    _typed: Option<File>,
}

/// Asks at the terminal where neither the command line nor this server has the passphrase.
///
/// # Errors
/// [`Exit::Trouble`], after telling, when nothing could be typed.
pub fn secret(job: &Job, wanted: &SecretArguments) -> Result<Secret, Exit> {
    let passphrase = wanted.passphrase_file.clone().map(Opener::PassphraseFile);
    let given = passphrase.or_else(|| wanted.identity_file.clone().map(Opener::IdentityFile));
    let is_here = given.is_some() || !is_to_be_typed(job);
    if is_here || !io::stdin().is_terminal() {
        return Ok(Secret {
            opener: given,
            _typed: None,
        });
    }
    let typed = rpassword::prompt_password(format!("passphrase of `{}`: ", job.name));
    let (path, file) = typed
        .and_then(|text| in_memory(&text))
        .map_err(|error| trouble(&error))?;
    Ok(Secret {
        opener: Some(Opener::PassphraseFile(path)),
        _typed: Some(file),
    })
}

/// Whether the passphrase is not to be found on this server: a new one has none, and a credential is given to the service.
fn is_to_be_typed(job: &Job) -> bool {
    match job.kind.encrypt() {
        Some(Encrypt::Passphrase(file)) => !file.exists(),
        Some(Encrypt::Credential(_)) => std::env::var_os("CREDENTIALS_DIRECTORY").is_none(),
        Some(Encrypt::Recipients(_)) | None => false,
    }
}

/// A file without a name, by the path that our own processes find it at.
fn in_memory(text: &str) -> io::Result<(PathBuf, File)> {
    let flags = rustix::fs::MemfdFlags::CLOEXEC;
    let mut file = File::from(rustix::fs::memfd_create("passphrase", flags)?);
    file.write_all(text.as_bytes())?;
    let path = format!("/proc/{}/fd/{}", std::process::id(), file.as_raw_fd());
    Ok((path.into(), file))
}
