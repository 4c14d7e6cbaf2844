//! Starts the stages of a pipeline: joined by pipes, heard by threads, bound to this process.

use std::fs::File;
use std::io;
use std::os::fd::{AsRawFd, OwnedFd};
use std::sync::mpsc::SyncSender;

use duct::Handle;
use rustix::fs::{Mode, OFlags, openat};
use rustix::pipe::{PipeFlags, pipe_with};
use rustix::process::Signal;

use super::output::{Heard, listen};
use super::process::signal;
use crate::plan::{Argv, Pipeline, Stdin, Stdout};

/// What surrounds the processes of a pipeline.
#[derive(Debug)]
pub struct Surroundings<'a> {
    /// The job's folder on a held local drive: the working folder, and where files are opened.
    pub folder: Option<&'a OwnedFd>,
    pub joined: Joined<'a>,
    /// Variables beyond those inherited and those in the plan.
    pub env: Vec<(String, String)>,
}

impl Surroundings<'_> {
    /// What we read must not be translated, nor be in the zone of the day.
    pub fn for_tools() -> Vec<(String, String)> {
        [("LC_ALL", "C"), ("TZ", "UTC")]
            .map(|(name, value)| (name.to_owned(), value.to_owned()))
            .to_vec()
    }
}

/// What a pipeline is joined with at its ends, besides files.
#[derive(Debug, Clone, Copy, Default)]
pub struct Joined<'a> {
    /// What [`Stdin::Names`] stands for, or members of an export.
    pub input: Option<&'a OwnedFd>,
    /// Who takes the members of an export.
    pub output: Option<&'a OwnedFd>,
}

/// Starts the stages of one pipeline, joined by pipes.
pub struct Starter<'a> {
    pub pipeline: &'a Pipeline,
    pub surroundings: &'a Surroundings<'a>,
    pub sender: SyncSender<Heard>,
}

impl Starter<'_> {
    /// Starts all or none.
    ///
    /// # Errors
    /// When a program cannot be started or a file cannot be opened.
    pub fn start_all(self) -> io::Result<Vec<Handle>> {
        let mut handles: Vec<Handle> = Vec::new();
        let mut input = match &self.pipeline.stdin {
            Stdin::Nothing => None,
            Stdin::Names | Stdin::FirstLine(_) | Stdin::Member(_) | Stdin::Members(_) => self
                .surroundings
                .joined
                .input
                .map(OwnedFd::try_clone)
                .transpose()?,
            Stdin::File(file) => Some(open_in(self.surroundings, file, OFlags::RDONLY)?),
        };
        for (index, argv) in self.pipeline.stages.iter().enumerate() {
            let (output, next_input) = self.output_of(index)?;
            match self.start(argv, input.take(), output) {
                Ok(handle) => handles.push(handle),
                Err(error) => {
                    for handle in &handles {
                        signal(handle, Signal::KILL);
                    }
                    let words = format!("cannot start `{}`: {error}", argv.program.display());
                    return Err(io::Error::new(error.kind(), words));
                }
            }
            input = next_input;
        }
        Ok(handles)
    }

    /// Where a stage writes to, and what the next one reads from.
    fn output_of(&self, index: usize) -> io::Result<(OwnedFd, Option<OwnedFd>)> {
        let is_last = index + 1 == self.pipeline.stages.len();
        if let (Stdout::NewFile(file), true) = (&self.pipeline.stdout, is_last) {
            let flags = OFlags::WRONLY | OFlags::CREATE | OFlags::EXCL;
            return Ok((open_in(self.surroundings, file, flags)?, None));
        }
        if let (Some(output), true) = (self.surroundings.joined.output, is_last) {
            return Ok((output.try_clone()?, None));
        }
        let (read, write) = pipe_with(PipeFlags::CLOEXEC)?;
        if is_last {
            listen(read, self.sender.clone(), Heard::Out);
            return Ok((write, None));
        }
        Ok((write, Some(read)))
    }

    fn start(&self, argv: &Argv, input: Option<OwnedFd>, output: OwnedFd) -> io::Result<Handle> {
        let (errors, error_end) = pipe_with(PipeFlags::CLOEXEC)?;
        listen(errors, self.sender.clone(), Heard::Error);
        let mut expression = duct::cmd(&argv.program, &argv.args)
            .stdout_file(output)
            .stderr_file(error_end)
            .unchecked();
        expression = match input {
            Some(file) => expression.stdin_file(file),
            None => expression.stdin_null(),
        };
        for (name, value) in &self.surroundings.env {
            expression = expression.env(name, value);
        }
        for (name, value) in &argv.env {
            expression = expression.env(name, value);
        }
        if let Some(folder) = self.surroundings.folder {
            expression = expression.dir(format!("/proc/self/fd/{}", folder.as_raw_fd()));
        }
        let bound = expression.before_spawn(|command| {
            bind_to_this_process(command);
            Ok(())
        });
        bound.start()
    }
}

/// Each stage leads a process group of its own, so that its children are reached by our signals; and
/// is told to end should this process die without a word.
fn bind_to_this_process(command: &mut std::process::Command) {
    use std::os::unix::process::CommandExt;
    command.process_group(0);
    #[expect(
        unsafe_code,
        reason = "the hook runs between fork and exec; prctl(2) is a plain system call, safe there"
    )]
    // SAFETY: the hook allocates nothing, takes no lock and only makes one system call.
    unsafe {
        command.pre_exec(|| {
            rustix::process::set_parent_process_death_signal(Some(Signal::TERM))?;
            Ok(())
        });
    }
}

fn open_in(
    surroundings: &Surroundings,
    file: &std::path::Path,
    flags: OFlags,
) -> io::Result<OwnedFd> {
    let flags = flags | OFlags::CLOEXEC | OFlags::NOFOLLOW;
    let mode = Mode::RUSR | Mode::WUSR;
    let opened = match surroundings.folder {
        Some(folder) => openat(folder, file, flags, mode),
        None => rustix::fs::open(file, flags, mode),
    };
    opened.map_err(|error| {
        io::Error::new(
            io::Error::from(error).kind(),
            format!("cannot open `{}`: {error}", file.display()),
        )
    })
}

/// The length of a file in the job's folder.
pub fn length_in(folder: &OwnedFd, name: &std::path::Path) -> io::Result<u64> {
    let file = File::from(openat(
        folder,
        name,
        OFlags::RDONLY | OFlags::CLOEXEC | OFlags::NOFOLLOW,
        Mode::empty(),
    )?);
    Ok(file.metadata()?.len())
}
