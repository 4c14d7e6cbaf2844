//! Runs one pipeline of a plan: starts its stages, hears them, ends them when something cuts in.

use std::fs::File;
use std::io;
use std::os::fd::{AsRawFd, OwnedFd};
use std::sync::mpsc::{self, Receiver, RecvTimeoutError, SyncSender};
use std::time::{Duration, Instant};

use duct::Handle;
use rustix::fs::{Mode, OFlags, openat};
use rustix::pipe::{PipeFlags, pipe_with};
use rustix::process::{Pid, Signal, kill_process_group};

use super::control::{Control, Cut};
use super::output::{Heard, listen};
use crate::plan::{Argv, Pipeline, Stdin, Stdout};
use crate::system;
use crate::tools::Ended;

/// What surrounds the processes of a pipeline.
#[derive(Debug)]
pub struct Surroundings<'a> {
    /// The job's folder on a held local drive: the working folder, and where files are opened.
    pub folder: Option<&'a OwnedFd>,
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

#[derive(Debug)]
pub struct PipelineEnd {
    pub ends: Vec<Ended>,
    pub cut: Option<Cut>,
    /// The last lines of standard error, of all stages.
    pub errors: String,
}

/// How long a process may take to clean up after SIGTERM before it is killed.
const GRACE: Duration = Duration::from_secs(15);

/// How long output is waited for after the last process ended: a daemon it left may hold the pipe open.
const LAST_WORDS: Duration = Duration::from_secs(2);

/// How many lines may wait to be taken in before who writes them has to wait: memory stays flat.
const LINES_AHEAD: usize = 256;

const GLANCE: Duration = Duration::from_millis(100);

/// Runs the pipeline to its end. `hear` is given each line as it comes, `glance` is called about ten
/// times a second and may cut in.
///
/// # Errors
/// When a program cannot be started or a file of the job's folder cannot be opened.
pub fn run_pipeline(
    pipeline: &Pipeline,
    surroundings: &Surroundings,
    control: &Control,
    hear: &mut dyn FnMut(&Heard),
    glance: &mut dyn FnMut() -> Option<Cut>,
) -> io::Result<PipelineEnd> {
    let (sender, receiver) = mpsc::sync_channel(LINES_AHEAD);
    let starter = Starter {
        pipeline,
        surroundings,
        sender,
    };
    let handles = starter.start_all()?;
    let mut watcher = Watcher {
        handles: &handles,
        control,
        cut: None,
        kill_at: None,
        errors: Vec::new(),
    };
    watcher.watch(&receiver, hear, glance)?;
    if watcher.cut.is_some() {
        // what a stage started and left behind goes too, before its group's number can be given out again
        for handle in &handles {
            signal(handle, Signal::KILL);
        }
    }
    let (cut, errors) = (watcher.cut, watcher.errors.join("\n"));
    let ends = handles
        .iter()
        .map(|handle| Ok(system::ended(handle.wait()?.status)))
        .collect::<io::Result<_>>()?;
    Ok(PipelineEnd { ends, cut, errors })
}

/// Starts the stages of one pipeline, joined by pipes.
struct Starter<'a> {
    pipeline: &'a Pipeline,
    surroundings: &'a Surroundings<'a>,
    sender: SyncSender<Heard>,
}

impl Starter<'_> {
    fn start_all(self) -> io::Result<Vec<Handle>> {
        let mut handles: Vec<Handle> = Vec::new();
        let mut input = match &self.pipeline.stdin {
            Stdin::Nothing => None,
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

/// Signals the group that a stage leads.
fn signal(handle: &Handle, signal: Signal) {
    let pids = handle
        .pids()
        .into_iter()
        .filter_map(|pid| i32::try_from(pid).ok());
    for pid in pids.filter_map(Pid::from_raw) {
        // gone already is as good
        let _ = kill_process_group(pid, signal);
    }
}

struct Watcher<'a> {
    handles: &'a [Handle],
    control: &'a Control,
    cut: Option<Cut>,
    kill_at: Option<Instant>,
    errors: Vec<String>,
}

impl Watcher<'_> {
    fn watch(
        &mut self,
        receiver: &Receiver<Heard>,
        hear: &mut dyn FnMut(&Heard),
        glance: &mut dyn FnMut() -> Option<Cut>,
    ) -> io::Result<()> {
        let mut all_ended: Option<Instant> = None;
        let mut next_glance = Instant::now();
        loop {
            match receiver.recv_timeout(GLANCE) {
                Ok(heard) => {
                    self.remember(&heard);
                    hear(&heard);
                }
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => {
                    if self.have_ended()? {
                        return Ok(());
                    }
                    std::thread::sleep(GLANCE / 10);
                }
            }
            if Instant::now() < next_glance {
                continue;
            }
            next_glance = Instant::now() + GLANCE;
            let outside = glance();
            self.look_for_cut(outside);
            if all_ended.is_none() && self.have_ended()? {
                all_ended = Some(Instant::now());
            }
            if all_ended.is_some_and(|since| since.elapsed() > LAST_WORDS) {
                return Ok(());
            }
        }
    }

    fn have_ended(&self) -> io::Result<bool> {
        for handle in self.handles {
            if handle.try_wait()?.is_none() {
                return Ok(false);
            }
        }
        Ok(true)
    }

    fn look_for_cut(&mut self, outside: Option<Cut>) {
        if let Some(kill_at) = self.kill_at {
            if Instant::now() >= kill_at {
                for handle in self.handles {
                    signal(handle, Signal::KILL);
                }
            }
            return;
        }
        if let Some(cut) = self.control.cut().or(outside) {
            self.cut = Some(cut);
            self.kill_at = Some(Instant::now() + GRACE);
            self.handles
                .iter()
                .for_each(|handle| signal(handle, Signal::TERM));
        }
    }

    fn remember(&mut self, heard: &Heard) {
        if let Heard::Error(line) = heard {
            if self.errors.len() >= 40 {
                self.errors.remove(0);
            }
            self.errors.push(line.clone());
        }
    }
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
