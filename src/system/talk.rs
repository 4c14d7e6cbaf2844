//! Talks with a program over its standard input and output for as long as both have something to say.

use std::fmt;
use std::io::{self, BufRead, BufReader, Read as _, Write as _};
use std::process::{Child, ChildStderr, ChildStdin, ChildStdout, Command, Stdio};
use std::thread::{self, JoinHandle};

use super::ended;
use crate::plan::Argv;
use crate::tools::{Ended, telling_line};

/// A program that was started, and both ends of what is said.
#[derive(Debug)]
pub struct Talk {
    command: String,
    child: Child,
    input: Option<ChildStdin>,
    output: BufReader<ChildStdout>,
    errors: Option<JoinHandle<String>>,
}

/// Why there is no answer.
#[derive(Debug)]
pub enum TalkError {
    Start { command: String, error: io::Error },
    Stream { command: String, error: io::Error },
    Ended { command: String, words: String },
}

impl fmt::Display for TalkError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Start { command, error } => write!(f, "`{command}` cannot be started: {error}"),
            Self::Stream { command, error } => {
                write!(f, "`{command}` cannot be spoken with: {error}")
            }
            Self::Ended { command, words } => write!(f, "`{command}` {words}"),
        }
    }
}

impl std::error::Error for TalkError {}

impl Talk {
    pub fn start(argv: &Argv) -> Result<Self, TalkError> {
        let command = argv.to_string();
        let mut child = match command_of(argv)
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
        {
            Ok(child) => child,
            Err(error) => return Err(TalkError::Start { command, error }),
        };
        let (input, output) = (child.stdin.take(), child.stdout.take());
        let errors = child.stderr.take().map(|errors| {
            // read beside, so that a program that says much does not wait for us
            thread::spawn(move || read_all(errors))
        });
        let Some(output) = output else {
            let error = io::Error::other("it has no standard output");
            return Err(TalkError::Start { command, error });
        };
        Ok(Self {
            command,
            child,
            input,
            output: BufReader::new(output),
            errors,
        })
    }

    pub fn tell(&mut self, text: &str) -> Result<(), TalkError> {
        let Some(input) = &mut self.input else {
            return Err(self.why_it_ended());
        };
        let told = input
            .write_all(text.as_bytes())
            .and_then(|()| input.flush());
        match told {
            Ok(()) => Ok(()),
            Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Err(self.why_it_ended()),
            Err(error) => Err(self.broken(error)),
        }
    }

    /// Its next line, without the end.
    pub fn hear(&mut self) -> Result<String, TalkError> {
        let mut line = Vec::new();
        match self.output.read_until(b'\n', &mut line) {
            Ok(_) if line.pop_if(|byte| *byte == b'\n').is_none() => Err(self.why_it_ended()),
            Ok(_) => String::from_utf8(line).map_err(|_| {
                self.broken(io::Error::new(
                    io::ErrorKind::InvalidData,
                    "it said something that is not UTF-8",
                ))
            }),
            Err(error) => Err(self.broken(error)),
        }
    }

    /// Lets it end by itself.
    pub fn end(mut self) -> Result<(), TalkError> {
        self.input = None;
        let status = self.child.wait().map_err(|error| self.broken(error))?;
        if ended(status) == Ended::WELL {
            Ok(())
        } else {
            Err(self.why_it_ended())
        }
    }

    fn broken(&self, error: io::Error) -> TalkError {
        let command = self.command.clone();
        TalkError::Stream { command, error }
    }

    fn why_it_ended(&mut self) -> TalkError {
        self.input = None;
        let how = match self.child.wait() {
            Ok(status) => ended(status).words(),
            Err(error) => return self.broken(error),
        };
        let errors = self.errors.take().and_then(|errors| errors.join().ok());
        let errors = errors.unwrap_or_default();
        // mariadb says first what it was told
        let named = errors.lines().find(|line| line.starts_with("ERROR"));
        let why = named.or_else(|| telling_line(&errors)).unwrap_or_default();
        let colon = if why.is_empty() { "" } else { ": " };
        TalkError::Ended {
            command: self.command.clone(),
            words: format!("ended with {how}{colon}{why}"),
        }
    }
}

impl Drop for Talk {
    fn drop(&mut self) {
        self.input = None;
        // one that ended already is as good
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// To be started with std's own means, with the environment that its argv asks for.
pub fn command_of(argv: &Argv) -> Command {
    let mut command = Command::new(&argv.program);
    command.args(&argv.args).envs(&argv.env);
    command
}

fn read_all(mut errors: ChildStderr) -> String {
    let mut bytes = Vec::new();
    // what was read before it broke is told
    let _ = errors.read_to_end(&mut bytes);
    String::from_utf8_lossy(&bytes).into_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_told_comes_back_line_by_line() {
        let mut talk = Talk::start(&Argv::new("cat")).unwrap();
        for line in ["two bowls", "", "Schlüsselwörter"] {
            talk.tell(&format!("{line}\n")).unwrap();
            assert_eq!(talk.hear().unwrap(), line);
        }
        talk.end().unwrap();
    }

    #[test]
    fn a_program_that_ends_early_is_quoted() {
        let mut talk = Talk::start(&Argv::new("cat").arg("/nonexistent/clay")).unwrap();
        let error = talk.hear().unwrap_err().to_string();
        assert!(error.starts_with("`cat /nonexistent/clay` ended with exit status 1: "));
        assert!(error.contains("No such file"), "{error}");
    }

    #[test]
    fn a_line_without_an_end_is_no_answer() {
        let mut talk = Talk::start(&Argv::new("printf").arg("half")).unwrap();
        assert!(talk.hear().is_err());
    }
}
