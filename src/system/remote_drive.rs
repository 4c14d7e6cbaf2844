//! A drive on another host: does the host answer with its pinned key, and is the folder there?

use std::path::Path;
use std::time::Duration;

use super::local_drive::Purpose;
use super::{Answer, ask};
use crate::jobs::Name;
use crate::plan::{Argv, Space, Stop};
use crate::record::Outcome;
use crate::tools::ssh::{HostKey, SshLine, judge_connection, remote_words};
use crate::tools::{Ended, Verdict, df, files};

/// ssh gives up after 20 s without a connection; a disk there may have to wake up.
const PATIENCE: Duration = Duration::from_secs(120);

/// Runs one command on the other host.
///
/// # Errors
/// A [`Stop`] when the host does not answer, is not the pinned one, or refuses our key.
pub fn ask_remote(line: &SshLine, command: &Argv) -> Result<Answer, Stop> {
    ask_script(line, &remote_words(command), HostKey::Pinned)
}

/// Runs a script built of quoted words on the other host.
///
/// # Errors
/// As [`ask_remote`].
pub fn ask_script(line: &SshLine, script: &[u8], host_key: HostKey) -> Result<Answer, Stop> {
    let host = &line.host;
    let answer = ask(&line.script(script, host_key), PATIENCE)
        .map_err(|error| Stop::new(Outcome::HostUnreachable, format!("`{host}`: {error}")))?;
    if answer.ended == Ended::Exit(255) {
        return Err(connection_stop(line, &answer.stderr));
    }
    Ok(answer)
}

/// What ssh's words about a connection mean.
pub fn connection_stop(line: &SshLine, errors: &str) -> Stop {
    let host = &line.host;
    let known = std::fs::read_to_string(&line.known_hosts).unwrap_or_default();
    let is_pinned = known.lines().any(|entry| entry.contains(&host.host));
    match judge_connection("ssh", errors) {
        Verdict::Refused(words) if errors.contains("Permission denied") => Stop::new(
            Outcome::HostRefused,
            format!("`{host}` refuses our key: {words}"),
        )
        .advise(format!(
            "put this server's public key into ~{}/.ssh/authorized_keys there",
            host.user
        )),
        Verdict::Refused(_) if !is_pinned => Stop::new(
            Outcome::HostRefused,
            format!("the host key of `{host}` is not pinned yet"),
        )
        .advise("run `hayloft check`: it shows the key's fingerprint and pins it"),
        Verdict::Refused(words) => Stop::new(
            Outcome::HostRefused,
            format!("`{host}` answers with another host key than the pinned one: {words}"),
        )
        .advise("nothing was sent; another computer may be answering in its place")
        .advise(format!(
            "if the host was installed anew: remove its line from `{}`, then run `hayloft check`",
            line.known_hosts.display()
        )),
        Verdict::Unreachable(words) | Verdict::Again(words) => Stop::new(
            Outcome::HostUnreachable,
            format!("`{host}` does not answer: {words}"),
        )
        .advise("is it switched on and on the network?"),
        _ => Stop::new(
            Outcome::HostUnreachable,
            format!("`{host}` does not answer"),
        ),
    }
}

/// The space of the drive's folder.
///
/// # Errors
/// As [`ask_remote`]; and `DriveAbsent` or `DriveReadOnly` when the folder is not there or not ours to write.
pub fn probe(name: &Name, line: &SshLine, path: &Path, purpose: Purpose) -> Result<Space, Stop> {
    let answer = ask_remote(line, &df::space_of(path))?;
    let (host, path_words) = (&line.host, path.display());
    if let (true, Some(space)) = (answer.is_well(), df::parse(&answer.text())) {
        if purpose == Purpose::Reading {
            return Ok(space);
        }
        let writable = ask_remote(line, &Argv::new("test").arg("-w").arg(path))?;
        if writable.is_well() {
            return Ok(space);
        }
        let reason = format!(
            "drive `{name}`: `{path_words}` on `{host}` cannot be written by `{}`",
            host.user
        );
        return Err(Stop::new(Outcome::DriveReadOnly, reason)
            .advise("give that account the folder, or mount it read-write"));
    }
    let said = answer.stderr.trim().to_owned();
    Err(Stop::new(
        Outcome::DriveAbsent,
        format!("drive `{name}`: no folder `{path_words}` on `{host}`: {said}"),
    )
    .advise("attach the disk there, or make the folder"))
}

/// The length of a file on the other host, in bytes.
pub fn length(line: &SshLine, path: &Path) -> Option<u64> {
    let answer = ask_remote(line, &files::length(path)).ok()?;
    answer.text().trim().parse().ok()
}
