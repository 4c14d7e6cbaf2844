//! One step that runs programs: with what around them, how often, and what their end and output mean for the run.

use std::fmt::Write as _;
use std::io;
use std::os::fd::OwnedFd;
use std::path::Path;
use std::time::{Duration, Instant};

use age::secrecy::ExposeSecret as _;
use tracing::warn;

use super::Executor;
use super::control::{Control, Cut};
use super::listener::Listener;
use super::output::Heard;
use super::process::{PipelineEnd, run_pipeline};
use super::start::{Joined, Surroundings, length_in};
use super::watch::Watch;
use crate::plan::{Argv, Part, Pipeline, Reading, Stdin, Stdout, Step, Stop};
use crate::record::Outcome;
use crate::restore::read_passphrase;
use crate::system::remote_drive::{self, connection_stop};
use crate::tools::rsync_output::Tally;
use crate::tools::{Verdict, judge, telling_line};

impl Executor<'_> {
    /// Runs the pipeline of a step, again where its reading says that this may help.
    pub(super) fn tool(&mut self, step: &Step, pipeline: &Pipeline) -> Result<String, Stop> {
        let names = match pipeline.stdin {
            Stdin::Names => match self.names_left() {
                None => return Ok("nothing for it to do".to_owned()),
                Some(names) => Some(in_memory(&names).map_err(|error| self.drive_error(&error))?),
            },
            Stdin::FirstLine(ref file) => Some(first_line(file)?),
            Stdin::Nothing | Stdin::File(_) | Stdin::Member(_) | Stdin::Members(_) => None,
        };
        let has_members = matches!(pipeline.stdin, Stdin::Member(_) | Stdin::Members(_))
            || matches!(pipeline.stdout, Stdout::Member(_) | Stdout::Members);
        if has_members {
            return self.member_step(step, pipeline);
        }
        self.tries(step, pipeline, names.as_ref())
    }

    /// As [`Executor::tool`], with what [`Stdin::Names`] stands for.
    pub(super) fn tries(
        &mut self,
        step: &Step,
        pipeline: &Pipeline,
        names: Option<&OwnedFd>,
    ) -> Result<String, Stop> {
        if pipeline.reading == Reading::RsyncCopy {
            self.begun = crate::tree::now();
        }
        let mut waits = pipeline.retries.iter();
        loop {
            if let Some(names) = names {
                // an earlier try may have read some of it
                rustix::fs::seek(names, rustix::fs::SeekFrom::Start(0))
                    .map_err(|error| self.drive_error(&error.into()))?;
            }
            let joined = Joined {
                input: names,
                output: None,
            };
            let (verdict, errors) = self.attempt(step, pipeline, joined)?;
            if let (Verdict::Again(words) | Verdict::Unreachable(words), Some(wait)) =
                (&verdict, waits.next())
            {
                warn!("{words}; trying again in {} s", wait.as_secs());
                self.wait(*wait)?;
                continue;
            }
            return self.settle(step, pipeline, verdict, &errors);
        }
    }

    /// Runs the pipeline of a step, once.
    pub(super) fn once(
        &mut self,
        step: &Step,
        pipeline: &Pipeline,
        joined: Joined,
    ) -> Result<String, Stop> {
        let (verdict, errors) = self.attempt(step, pipeline, joined)?;
        self.settle(step, pipeline, verdict, &errors)
    }

    fn attempt(
        &mut self,
        step: &Step,
        pipeline: &Pipeline,
        joined: Joined,
    ) -> Result<(Verdict, String), Stop> {
        let mut tally = Tally::default();
        let end = self
            .run_once(step, pipeline, joined, &mut tally)
            .map_err(|error| self.drive_error(&error))?;
        if let Some(cut) = &end.cut {
            return Err(cut.stop());
        }
        let programs: Vec<String> = pipeline
            .stages
            .iter()
            .map(|argv| argv.program.to_string_lossy().into_owned())
            .collect();
        let verdict = judge(&pipeline.reading, &programs, &end.ends, &end.errors);
        self.keep_changes(pipeline, tally);
        Ok((verdict, end.errors))
    }

    fn settle(
        &mut self,
        step: &Step,
        pipeline: &Pipeline,
        verdict: Verdict,
        errors: &str,
    ) -> Result<String, Stop> {
        let stop = match verdict {
            Verdict::Well => return Ok("exit status 0".to_owned()),
            Verdict::Noted(words) => {
                self.done.notes.push(words.clone());
                return Ok(words);
            }
            Verdict::Full(words) if step.part == Part::Rehearse => {
                let reason =
                    format!("{words}: there is no room left in the place of the rehearsal");
                Stop::new(Outcome::Failed, reason)
                    .advise("give it more memory: `hayloft rehearse JOB --space SIZE`")
            }
            Verdict::Full(words) if matches!(pipeline.stdin, Stdin::Member(_)) => {
                let reason = format!("{words}: there is no room where the service keeps its data");
                Stop::new(Outcome::Failed, reason).advise("make room on its disk")
            }
            Verdict::Full(words) if step.part == Part::Restore => {
                let reason = format!("{words}: there is no room where the files are brought back");
                Stop::new(Outcome::Failed, reason).advise("give `--to` a folder with more room")
            }
            Verdict::Full(words) => self.no_room(&words),
            Verdict::Refused(words) => {
                self.connection(Outcome::HostRefused, words, pipeline, errors)
            }
            Verdict::Unreachable(words) | Verdict::Again(words) => {
                self.connection(Outcome::HostUnreachable, words, pipeline, errors)
            }
            // rsync on another host may end before it can say why
            Verdict::Failed(words) if step.part == Part::Copy && self.has_filled_up() => {
                self.no_room(&words)
            }
            Verdict::Failed(words) => {
                self.still_there()?;
                let mut reason = words;
                if let Some(said) = telling_line(errors) {
                    let _ = write!(reason, ", saying `{said}`");
                }
                Stop::new(Outcome::Failed, reason)
            }
        };
        Err(stop)
    }

    /// Trouble with a connection; rsync also calls it that when one of its own processes here ends.
    fn connection(
        &self,
        outcome: Outcome,
        words: String,
        pipeline: &Pipeline,
        errors: &str,
    ) -> Stop {
        match self.plan.landing.ssh() {
            Some(line) if errors.contains("ssh") || errors.contains("Host key") => {
                connection_stop(line, errors)
            }
            None if !reaches_a_host(pipeline) => Stop::new(Outcome::Failed, words),
            _ => Stop::new(outcome, words)
                .advise("`hayloft check` tells whether the other host answers and knows us"),
        }
    }

    /// Whether a run left next to nothing free on the drive.
    fn has_filled_up(&self) -> bool {
        const NEXT_TO_NOTHING: u64 = 1 << 20;
        let space = self.space();
        space.is_some_and(|space| space.free < self.reserve.max(NEXT_TO_NOTHING))
    }

    /// What was measured is the run's change; what a copy then really moved corrects the totals.
    fn keep_changes(&mut self, pipeline: &Pipeline, tally: Tally) {
        match pipeline.reading {
            Reading::RsyncChanges | Reading::RsyncListing { .. } | Reading::ArchiveNames { .. } => {
                self.done.changes = Some(tally.changes);
                self.done.first = tally.first;
            }
            Reading::RsyncCopy => {
                let changes = self.done.changes.get_or_insert_default();
                changes.files = tally.changes.files;
                changes.bytes = tally.changes.bytes;
                changes.new_bytes = tally.changes.new_bytes;
            }
            Reading::Tar => {
                let written = self.written(pipeline);
                self.done.changes.get_or_insert_default().new_bytes = written;
            }
            Reading::Plain | Reading::Optional | Reading::OwnStep | Reading::RsyncOthers => {}
        }
    }

    /// The length of the archive just written.
    fn written(&self, pipeline: &Pipeline) -> u64 {
        let landing = &self.plan.landing;
        if let Stdout::Member(_) = &pipeline.stdout {
            return 0;
        }
        if let Stdout::NewFile(file) = &pipeline.stdout {
            let folder = self.hands().ok().and_then(|hands| hands.folder().ok());
            return folder
                .and_then(|folder| length_in(&folder, file).ok())
                .unwrap_or(0);
        }
        let entry = format!("{}.partial", self.plan.form.entry(self.plan.generation));
        let length = |line| remote_drive::length(line, &landing.path().join(entry));
        landing.ssh().and_then(length).unwrap_or(0)
    }

    fn wait(&self, time: Duration) -> Result<(), Stop> {
        let end = Instant::now() + time;
        while Instant::now() < end {
            if self.signal.is_set() {
                return Err(Cut::Signal.stop());
            }
            std::thread::sleep(Duration::from_millis(100));
        }
        Ok(())
    }

    fn run_once(
        &self,
        step: &Step,
        pipeline: &Pipeline,
        joined: Joined,
        tally: &mut Tally,
    ) -> io::Result<PipelineEnd> {
        let is_post = step.part == Part::Post;
        let own_step = is_post || step.part == Part::Pre;
        let folder: Option<OwnedFd> = match self.hands() {
            Ok(hands)
                if (matches!(step.part, Part::Copy | Part::Retire)
                    && !matches!(pipeline.stdout, Stdout::Member(_)))
                    || matches!(pipeline.stdin, Stdin::File(_) | Stdin::Names) =>
            {
                Some(hands.folder()?)
            }
            _ => None,
        };
        let surroundings = Surroundings {
            folder: folder.as_ref(),
            joined,
            env: if own_step {
                self.step_variables(is_post)
            } else {
                Surroundings::for_tools()
            },
        };
        let control = Control {
            signal: (!is_post).then(|| self.signal.clone()),
            deadline: self.deadline.filter(|_| !is_post),
        };
        let mut watch = (step.part == Part::Copy)
            .then(|| Watch::new(&self.plan.landing, self.reserve, self.held));
        let mut listener = Listener::new(&pipeline.reading, tally, self.progress);
        let mut glance = || watch.as_mut().and_then(Watch::glance);
        let hear = &mut |heard: &Heard| listener.hear(heard);
        run_pipeline(
            pipeline,
            &surroundings,
            &control.within(step.timeout),
            hear,
            &mut glance,
        )
    }

    fn step_variables(&self, is_post: bool) -> Vec<(String, String)> {
        let outcome = self
            .done
            .stop
            .as_ref()
            .map_or(Outcome::Well, |stop| stop.outcome);
        let outcome = serde_json::to_value(outcome)
            .ok()
            .and_then(|word| word.as_str().map(ToOwned::to_owned));
        outcome
            .filter(|_| is_post)
            .map(|word| ("HAYLOFT_OUTCOME".to_owned(), word))
            .into_iter()
            .collect()
    }
}

/// A file without a name, to be read by a tool.
fn in_memory(names: &[u8]) -> io::Result<OwnedFd> {
    let flags = rustix::fs::MemfdFlags::CLOEXEC;
    let mut file = std::fs::File::from(rustix::fs::memfd_create("names", flags)?);
    io::Write::write_all(&mut file, names)?;
    io::Seek::rewind(&mut file)?;
    Ok(file.into())
}

fn first_line(file: &Path) -> Result<OwnedFd, Stop> {
    let wrong = |words: String| Stop::new(Outcome::Failed, words);
    let line = read_passphrase(file).map_err(|error| wrong(error.to_string()))?;
    in_memory(line.expose_secret().as_bytes()).map_err(|error| wrong(error.to_string()))
}

/// Whether a pipeline works across a network: those that may break off are tried again.
fn reaches_a_host(pipeline: &Pipeline) -> bool {
    let is_named = |argv: &Argv, name: &str| argv.program == name;
    let of_rsync = |argv: &Argv| is_named(argv, "rsync") && !pipeline.retries.is_empty();
    let crosses = |argv: &Argv| is_named(argv, "ssh") || of_rsync(argv);
    pipeline.stages.iter().any(crosses)
}
