//! The filters that close and open archives within a pipeline.

use std::io::{stdin, stdout};

use super::arguments::{SealArguments, UnsealArguments};
use super::settings::trouble;
use crate::exit::Exit;
use crate::jobs::Encrypt;
use crate::restore;
use crate::tools::seal::Opener;

pub fn seal(wanted: SealArguments) -> Exit {
    let encrypt = match wanted.passphrase_file {
        Some(file) => Encrypt::Passphrase(file),
        None => Encrypt::Recipients(wanted.recipients),
    };
    finish(restore::seal(&encrypt, stdin().lock(), stdout().lock()))
}

pub fn unseal(wanted: UnsealArguments) -> Exit {
    let opener = match (wanted.passphrase_file, wanted.identity_file) {
        (Some(file), _) => Opener::PassphraseFile(file),
        (None, Some(file)) => Opener::IdentityFile(file),
        (None, None) => return Exit::Usage,
    };
    finish(restore::unseal(&opener, stdin().lock(), stdout().lock()))
}

fn finish(result: Result<(), restore::SealError>) -> Exit {
    result.map_or_else(|error| trouble(&error), |()| Exit::Well)
}
