//! Starts a server that goes on when hayloft's step is over, and waits until it listens.

use std::fs::File;
use std::io;
use std::os::unix::net::UnixStream;
use std::os::unix::process::CommandExt as _;
use std::path::Path;
use std::process::Stdio;
use std::thread;
use std::time::{Duration, Instant};

use super::command_of;
use crate::plan::Argv;

const PATIENCE: Duration = Duration::from_secs(120);
const REST: Duration = Duration::from_millis(50);

/// What it says goes to `log`. Should it not listen on `socket` in time, or end, its last words are the error.
///
/// # Errors
/// When it cannot be started, ends, or does not listen.
pub fn start_server(argv: &Argv, socket: &Path, log: &Path) -> io::Result<()> {
    let said = File::create(log)?;
    let mut child = command_of(argv)
        .stdin(Stdio::null())
        .stdout(said.try_clone()?)
        .stderr(said)
        // what ends this step must not end the server
        .process_group(0)
        .spawn()
        .map_err(|error| io::Error::new(error.kind(), format!("`{argv}`: {error}")))?;
    let begin = Instant::now();
    while UnixStream::connect(socket).is_err() {
        if let Some(status) = child.try_wait()? {
            return Err(last_words(&format!("`{argv}` {status}"), log));
        }
        if begin.elapsed() > PATIENCE {
            child.kill()?;
            child.wait()?;
            let words = format!(
                "`{argv}` does not listen on `{}` after {} s",
                socket.display(),
                PATIENCE.as_secs()
            );
            return Err(last_words(&words, log));
        }
        thread::sleep(REST);
    }
    Ok(())
}

fn last_words(what: &str, log: &Path) -> io::Error {
    let text = std::fs::read(log).unwrap_or_default();
    let text = String::from_utf8_lossy(&text);
    let lines: Vec<&str> = text.lines().collect();
    let telling = lines.iter().rev().find(|line| line.contains("[ERROR]"));
    let last = telling.or(lines.last()).copied().unwrap_or_default();
    io::Error::other(format!("{what}: {last}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_server_that_ends_is_quoted() {
        let folder = tempfile::tempdir().unwrap();
        let argv = Argv::new("cat").arg("/nonexistent/clay");
        let (socket, log) = (folder.path().join("socket"), folder.path().join("log"));
        let error = start_server(&argv, &socket, &log).unwrap_err().to_string();
        assert!(error.contains("No such file or directory"), "{error}");
    }
}
