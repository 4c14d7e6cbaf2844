//! The service as the real binary in a scratch world, with the service manager's socket.

use std::fs;
use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::process::{Child, ExitStatus, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;

use crate::world::World;

/// How long anything may take on a busy machine before a test gives up.
const PATIENCE: Duration = Duration::from_secs(20);

/// Looks again and again until there is something to see.
#[track_caller]
pub fn until<T>(what: &str, mut look: impl FnMut() -> Option<T>) -> T {
    let begun = Instant::now();
    loop {
        if let Some(seen) = look() {
            return seen;
        }
        assert!(begun.elapsed() < PATIENCE, "waited in vain for {what}");
        sleep(Duration::from_millis(40));
    }
}

/// `hayloft serve`; killed when dropped.
pub struct Serving {
    child: Child,
    socket: UnixDatagram,
    folder: tempfile::TempDir,
}

impl Serving {
    /// Starts the service with this time on its clock.
    pub fn start(world: &World, clock: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("notify");
        let socket = UnixDatagram::bind(&path).unwrap();
        socket.set_read_timeout(Some(PATIENCE)).unwrap();
        let log = fs::File::create(folder.path().join("journal")).unwrap();
        let child = world
            .hayloft(&["--clock", clock, "serve"])
            .env("NOTIFY_SOCKET", &path)
            .env_remove("WATCHDOG_USEC")
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .unwrap();
        Self {
            child,
            socket,
            folder,
        }
    }

    /// Reads what the service manager is told, up to a message that begins so.
    #[track_caller]
    pub fn expect(&self, begin: &str) -> String {
        let mut passed = Vec::new();
        loop {
            let mut buffer = [0; 4096];
            let length = self.socket.recv(&mut buffer).unwrap_or_else(|error| {
                panic!("no `{begin}`: {error}\n{passed:?}\n{}", self.journal())
            });
            let message = String::from_utf8_lossy(&buffer[..length]);
            let message = message.trim_end().to_owned();
            if message.starts_with(begin) {
                return message;
            }
            passed.push(message);
        }
    }

    pub fn journal(&self) -> String {
        fs::read_to_string(self.folder.path().join("journal")).unwrap()
    }

    pub fn id(&self) -> u32 {
        self.child.id()
    }

    pub fn signal(&self, signal: Signal) {
        send(self.child.id(), signal);
    }

    /// The processes it has started and not yet reaped.
    pub fn children(&self) -> Vec<u32> {
        let id = self.child.id();
        let listed = fs::read_to_string(format!("/proc/{id}/task/{id}/children"));
        let listed = listed.unwrap_or_default();
        listed.split(' ').filter_map(|id| id.parse().ok()).collect()
    }

    /// The run that goes on, as a process.
    #[track_caller]
    pub fn run_process(&self) -> u32 {
        let is_run = |id: &u32| {
            let line = fs::read(format!("/proc/{id}/cmdline")).unwrap_or_default();
            line.split(|byte| *byte == 0).any(|word| word == b"run")
        };
        until("a run's process", || {
            self.children().into_iter().find(is_run)
        })
    }

    pub fn wait(&mut self) -> ExitStatus {
        self.child.wait().unwrap()
    }

    /// Ends it as a service manager does.
    #[track_caller]
    pub fn stop(mut self) -> String {
        self.signal(Signal::TERM);
        let status = self.wait();
        assert!(status.success(), "{status}\n{}", self.journal());
        self.journal()
    }
}

impl Drop for Serving {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

pub fn send(id: u32, signal: Signal) {
    let id = Pid::from_raw(i32::try_from(id).unwrap()).unwrap();
    kill_process(id, signal).unwrap();
}

/// All recorded runs, oldest first.
#[track_caller]
pub fn runs(world: &World) -> Vec<Value> {
    let mut runs = world.run_json(&["runs"], 0).as_array().unwrap().clone();
    runs.reverse();
    runs
}

/// The runs of a job, once there are `amount` of them and all are over.
#[track_caller]
pub fn ended_runs(world: &World, job: &str, amount: usize) -> Vec<Value> {
    until(&format!("{amount} runs of `{job}`"), || {
        let mut found = runs(world);
        found.retain(|run| run["job"] == job);
        let over = found.iter().all(|run| !run["outcome"].is_null());
        (over && found.len() >= amount).then_some(found)
    })
}

/// The subjects of mail that waits in the outbox, sorted.
pub fn subjects_waiting(world: &World) -> Vec<String> {
    let mut subjects: Vec<String> = mails_waiting(world)
        .iter()
        .map(|mail| {
            let line = mail.lines().find(|line| line.starts_with("Subject: "));
            line.unwrap_or_default().replacen("Subject: ", "", 1)
        })
        .collect();
    subjects.sort();
    subjects
}

/// The mails in the outbox, as they are sent.
pub fn mails_waiting(world: &World) -> Vec<String> {
    let is_mail = |path: &Path| path.extension().is_some_and(|end| end == "eml");
    let Ok(entries) = fs::read_dir(world.state().join("outbox")) else {
        return Vec::new();
    };
    let paths = entries.flatten().map(|entry| entry.path());
    paths
        .filter(|path| is_mail(path))
        .filter_map(|path| fs::read_to_string(path).ok())
        .collect()
}

/// Waits for a mail in the outbox whose subject is this.
#[track_caller]
pub fn mail_waits(world: &World, subject: &str) {
    let begun = Instant::now();
    loop {
        let waiting = subjects_waiting(world);
        if waiting.iter().any(|one| one == subject) {
            return;
        }
        assert!(
            begun.elapsed() < PATIENCE,
            "no `{subject}` among {waiting:#?}"
        );
        sleep(Duration::from_millis(40));
    }
}

/// `[mail]` for a server that is not there: what is mailed stays in the outbox.
pub const NO_SERVER: &str = "[mail]\nsmtp = \"smtp://localhost:9\"\n\
    from = \"kiln <hayloft@studio.example>\"\nto = [\"ines@studio.example\"]\n";

/// A job file for the studio's source, with more keys.
pub fn studio(more: &str) -> String {
    format!("kind = \"history\"\nsource = [\"{{dir}}/source\"]\ndrive = \"shelf\"\n{more}\n")
}
