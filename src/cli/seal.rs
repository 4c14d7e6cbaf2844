//! The filters that close and open archives within a pipeline.

use std::io::{stdin, stdout};

use super::settings::trouble;
use super::step_arguments::{CloseArguments, SealArguments, UnsealArguments};
use crate::exit::Exit;
use crate::jobs::Encrypt;
use crate::restore;
use crate::tools::seal::Opener;

pub fn seal(wanted: SealArguments) -> Exit {
    let Some(encrypt) = closing(wanted.with) else {
        return Exit::Usage;
    };
    finish(restore::seal(&encrypt, stdin().lock(), stdout().lock()))
}

pub fn unseal(wanted: UnsealArguments) -> Exit {
    let passphrase = wanted.passphrase_file.map(Opener::PassphraseFile);
    let opener = passphrase
        .or(wanted.identity_file.map(Opener::IdentityFile))
        .or(wanted.credential.map(Opener::Credential));
    let Some(opener) = opener else {
        return Exit::Usage;
    };
    finish(restore::unseal(&opener, stdin().lock(), stdout().lock()))
}

/// With what a stream is to be closed; nothing where it is to stay open.
pub(super) fn closing(with: CloseArguments) -> Option<Encrypt> {
    let keys = Some(with.recipients).filter(|keys| !keys.is_empty());
    let passphrase = with.passphrase_file.map(Encrypt::Passphrase);
    passphrase
        .or(with.credential.map(Encrypt::Credential))
        .or(keys.map(Encrypt::Recipients))
}

fn finish(result: Result<(), restore::SealError>) -> Exit {
    result.map_or_else(|error| trouble(&error), |()| Exit::Well)
}
