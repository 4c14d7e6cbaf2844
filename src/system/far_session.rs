//! A connection to another host that stays open while names are looked at, a batch at a time.

use std::io::{self, BufRead, BufReader, Read, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::thread::JoinHandle;

use super::remote_drive::connection_stop;
use crate::plan::{Argv, Stop};
use crate::record::Outcome;
use crate::tools::far_look::{END, Request, script};
use crate::tools::files;
use crate::tools::ssh::{HostKey, SshLine};

/// Of what the other host's programs complain, so much is kept.
const MOST_COMPLAINTS: u64 = 1 << 20;

/// An open connection; it ends when this is dropped.
#[derive(Debug)]
pub struct FarSession {
    line: SshLine,
    child: Child,
    input: Option<ChildStdin>,
    output: BufReader<ChildStdout>,
    complaints: Option<JoinHandle<String>>,
}

impl FarSession {
    /// Opens a connection that works in a folder of the other host.
    ///
    /// # Errors
    /// A [`Stop`] when ssh cannot be started. That the host does not answer shows with the first request.
    pub fn open(line: &SshLine, root: &Path) -> Result<Self, Stop> {
        Self::start(line, &line.script(&script(root), HostKey::Pinned))
    }

    /// Opens a connection on which the other host prints one of its files: [`FarSession::output`].
    ///
    /// # Errors
    /// As [`FarSession::open`].
    pub fn print(line: &SshLine, file: &Path) -> Result<Self, Stop> {
        Self::start(line, &line.command(&files::print(file)))
    }

    fn start(line: &SshLine, argv: &Argv) -> Result<Self, Stop> {
        let failed = |error: io::Error| {
            Stop::new(Outcome::Failed, format!("ssh cannot be started: {error}"))
        };
        let mut child = Command::new(&argv.program)
            .args(&argv.args)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .map_err(failed)?;
        let missing = || io::Error::other("a pipe to it is missing");
        let input = child.stdin.take();
        let output = child.stdout.take().ok_or_else(missing).map_err(failed)?;
        let errors = child.stderr.take().ok_or_else(missing).map_err(failed)?;
        let complaints = std::thread::spawn(move || {
            let mut errors = errors;
            let mut text = Vec::new();
            let _ = errors.by_ref().take(MOST_COMPLAINTS).read_to_end(&mut text);
            // what is not kept must be read all the same, or the other side would wait
            let _ = io::copy(&mut errors, &mut io::sink());
            String::from_utf8_lossy(&text).into_owned()
        });
        Ok(Self {
            line: line.clone(),
            child,
            input,
            output: BufReader::new(output),
            complaints: Some(complaints),
        })
    }

    /// What the other host prints.
    pub fn output(&mut self) -> &mut BufReader<ChildStdout> {
        &mut self.output
    }

    /// Asks about a batch of names, each with a NUL behind it, and gives each record of the answer.
    ///
    /// # Errors
    /// A [`Stop`] when the connection breaks.
    pub fn ask(
        &mut self,
        request: Request,
        names: &[u8],
        each: &mut dyn FnMut(&[u8]),
    ) -> Result<(), Stop> {
        let asked = match &mut self.input {
            None => Err(io::Error::from(io::ErrorKind::BrokenPipe)),
            Some(input) => input
                .write_all(request.line(names.len()).as_bytes())
                .and_then(|()| input.write_all(names))
                .and_then(|()| input.flush()),
        };
        if asked.is_err() {
            return Err(self.broken());
        }
        let mut record = Vec::new();
        loop {
            record.clear();
            let read = self.output.read_until(0, &mut record);
            if !matches!(read, Ok(length) if length > 0) || record.pop() != Some(0) {
                return Err(self.broken());
            }
            if record == END {
                return Ok(());
            }
            each(&record);
        }
    }

    /// Ends the connection; gives what the other host's programs complained of.
    ///
    /// # Errors
    /// A [`Stop`] when it was not ended by us.
    pub fn end(mut self) -> Result<String, Stop> {
        drop(self.input.take());
        let mut rest = Vec::new();
        let _ = self.output.read_to_end(&mut rest);
        let status = self.child.wait();
        let said = self.said();
        match status.ok().and_then(|status| status.code()) {
            Some(255) | None => Err(connection_stop(&self.line, &said)),
            _ => Ok(said),
        }
    }

    fn said(&mut self) -> String {
        self.complaints
            .take()
            .and_then(|thread| thread.join().ok())
            .unwrap_or_default()
    }

    /// Why the connection is no more.
    fn broken(&mut self) -> Stop {
        drop(self.input.take());
        let status = self.child.wait();
        let said = self.said();
        match status.ok().and_then(|status| status.code()) {
            Some(255) | None => connection_stop(&self.line, &said),
            Some(code) => {
                let last = said.lines().last().unwrap_or_default();
                let reason = format!(
                    "looking at names on `{}` ended with exit status {code}: {last}",
                    self.line.host
                );
                Stop::new(Outcome::Failed, reason)
            }
        }
    }
}

impl Drop for FarSession {
    fn drop(&mut self) {
        drop(self.input.take());
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
