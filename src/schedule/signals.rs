//! Signals as file descriptors that poll(2) can wait on, by the self-pipe pattern of signal-hook.

use std::io::{self, Read, Write};
use std::os::fd::{AsFd, BorrowedFd};
use std::os::unix::net::UnixStream;

use signal_hook::SigId;
use signal_hook::consts::{SIGCHLD, SIGHUP, SIGINT, SIGTERM};
use signal_hook::low_level::{pipe, unregister};

/// The signals that the service listens to. Dropping it stops listening.
#[derive(Debug)]
pub struct Signals {
    terminate: UnixStream,
    reload: UnixStream,
    child: UnixStream,
    registered: Vec<SigId>,
}

/// Asks a service in the same process to stop or reload, without a signal to the whole process.
#[derive(Debug)]
pub struct SignalSender {
    terminate: UnixStream,
    reload: UnixStream,
}

impl Signals {
    /// SIGTERM and SIGINT stop, SIGHUP reloads, SIGCHLD tells that a run has ended.
    pub fn of_process() -> io::Result<Self> {
        let (mut signals, sender) = Self::injected()?;
        let second = sender.terminate.try_clone()?;
        for (signal, end) in [
            (SIGTERM, sender.terminate),
            (SIGINT, second),
            (SIGHUP, sender.reload),
        ] {
            signals.registered.push(pipe::register(signal, end)?);
        }
        Ok(signals)
    }

    /// SIGCHLD of this process, and a sender in place of the others.
    pub fn injected() -> io::Result<(Self, SignalSender)> {
        let (terminate, terminate_end) = listening_pair()?;
        let (reload, reload_end) = listening_pair()?;
        let (child, child_end) = listening_pair()?;
        let signals = Self {
            terminate,
            reload,
            child,
            registered: vec![pipe::register(SIGCHLD, child_end)?],
        };
        let sender = SignalSender {
            terminate: terminate_end,
            reload: reload_end,
        };
        Ok((signals, sender))
    }

    pub(super) fn descriptors(&self) -> [BorrowedFd<'_>; 3] {
        [
            self.terminate.as_fd(),
            self.reload.as_fd(),
            self.child.as_fd(),
        ]
    }

    pub(super) fn take_terminate(&mut self) -> bool {
        drain(&mut self.terminate)
    }

    pub(super) fn take_reload(&mut self) -> bool {
        drain(&mut self.reload)
    }

    pub(super) fn take_child(&mut self) -> bool {
        drain(&mut self.child)
    }
}

impl Drop for Signals {
    fn drop(&mut self) {
        for id in self.registered.drain(..) {
            unregister(id);
        }
    }
}

impl SignalSender {
    pub fn terminate(&mut self) -> io::Result<()> {
        self.terminate.write_all(b"T")
    }

    pub fn reload(&mut self) -> io::Result<()> {
        self.reload.write_all(b"H")
    }
}

fn listening_pair() -> io::Result<(UnixStream, UnixStream)> {
    let (listening, end) = UnixStream::pair()?;
    listening.set_nonblocking(true)?;
    Ok((listening, end))
}

/// Empties the pipe before anybody acts, so that a signal during the action is not lost.
fn drain(stream: &mut UnixStream) -> bool {
    let mut buffer = [0; 64];
    let mut any = false;
    loop {
        match stream.read(&mut buffer) {
            Ok(0) => return any,
            Ok(_) => any = true,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(_) => return any,
        }
    }
}
