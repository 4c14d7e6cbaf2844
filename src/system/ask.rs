//! Asks a program for a fact: runs it, waits, and keeps what it says.

use std::io;
use std::time::Duration;

use crate::plan::Argv;
use crate::tools::Ended;

/// What a program answered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    pub ended: Ended,
    pub stdout: Vec<u8>,
    pub stderr: String,
}

impl Answer {
    pub fn is_well(&self) -> bool {
        self.ended == Ended::WELL
    }

    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.stdout).into_owned()
    }
}

/// Runs `argv` with no input, in the C locale and in UTC, and ends it after `timeout`.
///
/// # Errors
/// When the program cannot be started, or does not end in time (`ErrorKind::TimedOut`).
pub fn ask(argv: &Argv, timeout: Duration) -> io::Result<Answer> {
    ask_with_input(argv, Vec::new(), timeout)
}

/// As [`ask`], with something to read on standard input.
///
/// # Errors
/// As [`ask`].
pub fn ask_with_input(argv: &Argv, input: Vec<u8>, timeout: Duration) -> io::Result<Answer> {
    let mut expression = duct::cmd(&argv.program, &argv.args)
        .env("LC_ALL", "C")
        .env("TZ", "UTC")
        .stdin_bytes(input)
        .stdout_capture()
        .stderr_capture()
        .unchecked();
    for (name, value) in &argv.env {
        expression = expression.env(name, value);
    }
    let handle = expression.start()?;
    if handle.wait_timeout(timeout)?.is_none() {
        handle.kill()?;
        let words = format!("`{argv}` did not answer within {} s", timeout.as_secs());
        return Err(io::Error::new(io::ErrorKind::TimedOut, words));
    }
    let output = handle.into_output()?;
    Ok(Answer {
        ended: ended(output.status),
        stdout: output.stdout,
        stderr: String::from_utf8_lossy(&output.stderr).into_owned(),
    })
}

/// The end of a process as std tells it.
pub fn ended(status: std::process::ExitStatus) -> Ended {
    use std::os::unix::process::ExitStatusExt;
    match (status.code(), status.signal()) {
        (Some(code), _) => Ended::Exit(code),
        (None, signal) => Ended::Signal(signal.unwrap_or(0)),
    }
}
