//! Steps whose programs write members of an export, or read them: a thread at the other end of the pipe.

use std::fs::File;
use std::io;
use std::os::fd::OwnedFd;
use std::path::PathBuf;
use std::sync::Arc;
use std::thread::JoinHandle;

use rustix::pipe::{PipeFlags, pipe_with};

use super::{Kept, keep, pack, unpack};
use crate::plan::{Member, Pipeline, Stdin, Stdout, Step, Stop, Told};
use crate::record::{Export, Outcome};
use crate::run::Executor;
use crate::run::start::Joined;

/// What the other end of a pipe made of what a program wrote.
enum Taken {
    One(Kept),
    All(Export, Vec<Kept>),
}

/// One end for a program, and the thread at the other.
struct Joint<T> {
    end: OwnedFd,
    thread: JoinHandle<io::Result<T>>,
}

impl Executor<'_> {
    /// Runs a pipeline that writes a member or all, or reads one or all.
    pub(in crate::run) fn member_step(
        &mut self,
        step: &Step,
        pipeline: &Pipeline,
    ) -> Result<String, Stop> {
        let input = self.input(&pipeline.stdin)?;
        let output = self.output(&pipeline.stdout)?;
        let joined = Joined {
            input: input.as_ref().map(|joint| &joint.end),
            output: output.as_ref().map(|joint| &joint.end),
        };
        let ended = self.once(step, pipeline, joined);
        // with our own ends open, neither thread would come to its end
        let fed = input.map(Joint::join);
        let taken = output.map(Joint::join);
        let words = match (ended, taken) {
            (Err(stop), Some(Err(error))) if is_cause(&error) => {
                return Err(self.member_trouble(&stop, &error));
            }
            (Err(stop), _) => return Err(stop),
            (Ok(_), Some(Err(error))) => return Err(self.kept_trouble(&error)),
            (Ok(words), Some(Ok(taken))) => {
                self.take(taken);
                words
            }
            (Ok(words), None) => words,
        };
        match fed {
            Some(Err(error)) => Err(self.kept_trouble(&error)),
            _ => Ok(words),
        }
    }

    fn input(&self, stdin: &Stdin) -> Result<Option<Joint<()>>, Stop> {
        match stdin {
            Stdin::Member(name) => {
                let kept = self.member(name)?;
                Ok(Some(self.joint_from(move |mut to| {
                    io::copy(&mut kept.open()?, &mut to).map(drop)
                })?))
            }
            Stdin::Members(told) => {
                let export = self.export(told)?;
                let members = self.members.clone();
                Ok(Some(self.joint_from(move |to| {
                    let members: Vec<&Kept> = members.iter().map(|kept| &**kept).collect();
                    pack(&export, &members, to)
                })?))
            }
            Stdin::Nothing | Stdin::File(_) | Stdin::FirstLine(_) | Stdin::Names => Ok(None),
        }
    }

    fn output(&self, stdout: &Stdout) -> Result<Option<Joint<Taken>>, Stop> {
        let scratch = self.scratch.clone();
        match stdout {
            Stdout::Member(member) => {
                let member: Member = member.clone();
                let read = move |from| keep(&member, from, &scratch).map(Taken::One);
                self.joint_to(read).map(Some)
            }
            Stdout::Members => {
                let read = move |from| {
                    let (export, kept) = unpack(from, &scratch)?;
                    Ok(Taken::All(export, kept))
                };
                self.joint_to(read).map(Some)
            }
            Stdout::Read | Stdout::NewFile(_) => Ok(None),
        }
    }

    fn take(&mut self, taken: Taken) {
        match taken {
            Taken::One(kept) => {
                let changes = self.done.changes.get_or_insert_default();
                changes.files += 1;
                changes.bytes += kept.told.bytes;
                self.done.exported.push(kept.told.clone());
                self.done.notes.extend(kept.notes.iter().cloned());
                self.members.push(Arc::new(kept));
            }
            Taken::All(export, kept) => {
                self.done.exported.clone_from(&export.members);
                self.members.extend(kept.into_iter().map(Arc::new));
                self.export = Some(export);
            }
        }
    }

    pub(super) fn member(&self, name: &str) -> Result<Arc<Kept>, Stop> {
        let found = self.members.iter().find(|kept| kept.told.name == name);
        found.cloned().ok_or_else(|| {
            let reason = format!("there is no `{name}` in this export");
            Stop::new(Outcome::Failed, reason)
                .advise("was it made when the job file named other databases?")
        })
    }

    fn export(&self, told: &Told) -> Result<Export, Stop> {
        let Some(keeper) = &self.keeper else {
            return Err(Stop::new(
                Outcome::Failed,
                "nothing is written in a dry run",
            ));
        };
        Ok(Export {
            hayloft_export: Export::FORMAT,
            server: keeper.server.clone(),
            job: self.plan.job.clone(),
            kind: self.plan.kind,
            generation: self.plan.generation,
            told: told.clone(),
            members: self.members.iter().map(|kept| kept.told.clone()).collect(),
        })
    }

    fn joint_from(
        &self,
        write: impl FnOnce(File) -> io::Result<()> + Send + 'static,
    ) -> Result<Joint<()>, Stop> {
        let (read_end, write_end) = self.pipe()?;
        let thread = std::thread::spawn(move || match write(write_end.into()) {
            // who read had enough: how it ended is what counts
            Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
            ended => ended,
        });
        Ok(Joint {
            end: read_end,
            thread,
        })
    }

    fn joint_to<T: Send + 'static>(
        &self,
        read: impl FnOnce(File) -> io::Result<T> + Send + 'static,
    ) -> Result<Joint<T>, Stop> {
        let (read_end, write_end) = self.pipe()?;
        let thread = std::thread::spawn(move || read(read_end.into()));
        Ok(Joint {
            end: write_end,
            thread,
        })
    }

    fn pipe(&self) -> Result<(OwnedFd, OwnedFd), Stop> {
        pipe_with(PipeFlags::CLOEXEC).map_err(|error| self.kept_trouble(&error.into()))
    }

    /// A program that failed because nobody took what it wrote.
    fn member_trouble(&self, stop: &Stop, error: &io::Error) -> Stop {
        let cut = [Outcome::Stopped, Outcome::TimedOut];
        if cut.contains(&stop.outcome) {
            return stop.clone();
        }
        let mut told = self.kept_trouble(error);
        if error.kind() == io::ErrorKind::InvalidData {
            told.reason = format!("{}; {}", stop.reason, told.reason);
            told.advice.splice(0..0, stop.advice.clone());
        }
        told
    }

    fn kept_trouble(&self, error: &io::Error) -> Stop {
        let scratch: &PathBuf = &self.scratch;
        match error.kind() {
            io::ErrorKind::InvalidData => Stop::new(Outcome::Failed, error.to_string()),
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => {
                let reason = format!(
                    "there is no room in `{}`, where an export is kept until it is written: {error}",
                    scratch.display()
                );
                Stop::new(Outcome::Failed, reason)
                    .advise("make room on its disk, or move `state_dir` to one with more")
            }
            _ => {
                let reason = format!(
                    "the export could not be kept in `{}`: {error}",
                    scratch.display()
                );
                Stop::new(Outcome::Failed, reason)
            }
        }
    }
}

impl<T> Joint<T> {
    fn join(self) -> io::Result<T> {
        drop(self.end);
        let ended = self.thread.join();
        ended.unwrap_or_else(|_| Err(io::Error::other("a thread of hayloft ended too early")))
    }
}

/// Whether this is why the program could write no more, rather than what came of its end.
fn is_cause(error: &io::Error) -> bool {
    error.kind() != io::ErrorKind::UnexpectedEof
}
