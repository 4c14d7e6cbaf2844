//! Whether the passphrase of a job opens its newest copy.

use std::env;

use crate::jobs::{Encrypt, Job};
use crate::plan::{DriveState, Stop};
use crate::record::{Form, Generation, Outcome};
use crate::restore::{SealError, opens};
use crate::system::{Gathered, first_bytes};
use crate::tools::seal::Opener;

/// The header of the format is in here, however many it is closed for (C2SP age specification).
const HEAD: u64 = 128 * 1024;

/// What is known of the secret, in words; nothing where none is needed.
///
/// # Errors
/// When it opens nothing: the copies would be lost.
pub fn secret(
    job: &Job,
    gathered: &Gathered,
    newest: Option<&Generation>,
) -> Result<Option<String>, Stop> {
    let opener = match job.kind.encrypt() {
        None => return Ok(None),
        Some(Encrypt::Passphrase(file)) => Opener::PassphraseFile(file.clone()),
        Some(Encrypt::Credential(name)) if env::var_os("CREDENTIALS_DIRECTORY").is_none() => {
            return Ok(Some(format!(
                "the passphrase is the credential `{name}`, which only the service can try; {PAPER}"
            )));
        }
        Some(Encrypt::Credential(name)) => Opener::Credential(name.clone()),
        Some(Encrypt::Recipients(_)) => {
            return Ok(Some(
                "its copies are closed for recipients: only who has a secret key can try it"
                    .to_owned(),
            ));
        }
    };
    let closed = newest.filter(|one| one.form == Form::SealedTar);
    let (Some(newest), DriveState::Ready(_)) = (closed, &gathered.facts.drive) else {
        return Ok(Some(format!(
            "no copy to try the passphrase with yet; {PAPER}"
        )));
    };
    let entry = newest.form.entry(newest.name);
    let head = first_bytes(
        &gathered.facts.landing,
        gathered.held.as_ref(),
        &entry,
        HEAD,
    );
    let opened = head
        .map_err(SealError::Stream)
        .and_then(|head| opens(&opener, &head));
    match opened {
        Ok(()) => Ok(Some(format!(
            "the passphrase opens {}; {PAPER}",
            newest.name
        ))),
        Err(error) => Err(closed_for_good(job, newest, &error)),
    }
}

const PAPER: &str = "keep it on paper as well, away from this server";

fn closed_for_good(job: &Job, newest: &Generation, error: &SealError) -> Stop {
    let reason = format!(
        "the newest copy of `{}`, {}, could not be opened: {error}",
        job.name, newest.name
    );
    let stop = Stop::new(Outcome::Failed, reason);
    match error {
        SealError::WrongSecret => stop
            .advise("if the passphrase was changed, keep the old one as well: it opens the copies before")
            .advise(format!(
                "if it was not, put the right one back; `hayloft run {}` makes a copy that the present one opens",
                job.name
            )),
        SealError::Damaged(_) => stop.advise(format!("`hayloft verify {}` tells more", job.name)),
        _ => stop,
    }
}
