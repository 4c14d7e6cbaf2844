//! hayloft's own filter that closes and opens an archive with age.
//!
//! The program `age` asks for a passphrase on a terminal only; this filter reads it from a file. What
//! it writes is the C2SP age format, which `age -d` opens.

use std::path::Path;

use crate::jobs::Encrypt;
use crate::plan::Argv;

pub fn close(own_program: &Path, encrypt: &Encrypt) -> Argv {
    secret(Argv::new(own_program).arg("seal"), encrypt)
}

/// Tells a filter with what it closes.
pub(super) fn secret(argv: Argv, encrypt: &Encrypt) -> Argv {
    match encrypt {
        Encrypt::Passphrase(file) => argv.arg("--passphrase-file").arg(file),
        Encrypt::Credential(name) => argv.arg("--credential").arg(name),
        Encrypt::Recipients(keys) => keys
            .iter()
            .fold(argv, |argv, key| argv.arg("--recipient").arg(key)),
    }
}

/// With what a sealed archive is opened.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Opener {
    PassphraseFile(std::path::PathBuf),
    /// A credential of the service, by its name.
    Credential(String),
    IdentityFile(std::path::PathBuf),
}

pub fn open(own_program: &Path, opener: &Opener) -> Argv {
    opened_with(Argv::new(own_program).arg("unseal"), opener)
}

/// Tells a command with what it opens.
pub(super) fn opened_with(argv: Argv, opener: &Opener) -> Argv {
    match opener {
        Opener::PassphraseFile(file) => argv.arg("--passphrase-file").arg(file),
        Opener::Credential(name) => argv.arg("--credential").arg(name),
        Opener::IdentityFile(file) => argv.arg("--identity-file").arg(file),
    }
}
