//! The service as a process of its own: real signals, the service manager's socket, memory and rest.
//!
//! The process is this test binary, started again for the one test that serves.

use std::fs;
use std::io;
use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::process::{Child, Command, ExitStatus};
use std::time::{Duration, Instant};

use hayloft::schedule::{Service, Signals};
use hayloft::system::clock::ShiftedClock;
use rustix::process::{Pid, Signal, kill_process};

use crate::scripted_host::{ScriptedHost, at, config, job};

const FOLDER: &str = "HAYLOFT_TEST_SERVICE_FOLDER";

#[test]
#[ignore = "is the service that the other tests of this file start"]
fn serve_until_told_to_stop() {
    let Some(folder) = std::env::var_os(FOLDER) else {
        eprintln!("skipped: only the other tests of this file start the service");
        return;
    };
    let jobs = vec![
        job("accounts", "0 12 * * *", "barn", &[]),
        job("studio-files", "30 2 * * *", "shelf", &[]),
    ];
    let host = ScriptedHost::new(Path::new(&folder), config("Europe/Lisbon", jobs))
        .with("accounts", "sleep 600", "2026-11-24T12:00:00Z")
        .with("studio-files", "true", "2026-11-25T02:30:00Z");
    let clock = ShiftedClock::starting_at(at("2026-11-25T11:59:58Z"));
    let service = Service::new(host, clock, Signals::of_process().unwrap()).unwrap();
    let host = service.run().unwrap();
    fs::write(Path::new(&folder).join("log"), host.log().join("\n")).unwrap();
}

/// A started service and the socket on which it speaks to its manager.
struct Process {
    child: Child,
    socket: UnixDatagram,
    folder: tempfile::TempDir,
}

impl Process {
    fn start(environment: &[(&str, &str)]) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("notify");
        let socket = UnixDatagram::bind(&path).unwrap();
        socket
            .set_read_timeout(Some(Duration::from_secs(20)))
            .unwrap();
        let child = Command::new(std::env::current_exe().unwrap())
            .args([
                "--ignored",
                "--exact",
                "serve_process::serve_until_told_to_stop",
            ])
            .args(["--test-threads", "1", "--quiet"])
            .env(FOLDER, folder.path())
            .env("NOTIFY_SOCKET", &path)
            .env_remove("WATCHDOG_USEC")
            .env_remove("WATCHDOG_PID")
            .envs(environment.iter().copied())
            .stdout(std::process::Stdio::null())
            .spawn()
            .unwrap();
        Self {
            child,
            socket,
            folder,
        }
    }

    fn message(&self) -> io::Result<String> {
        let mut buffer = [0; 1024];
        let length = self.socket.recv(&mut buffer)?;
        Ok(String::from_utf8_lossy(&buffer[..length])
            .trim_end()
            .to_owned())
    }

    /// Reads messages until one begins so; signs of life and other states between them are passed over.
    #[track_caller]
    fn expect(&self, begin: &str) -> String {
        loop {
            let message = self.message().unwrap();
            if message.starts_with(begin) {
                return message;
            }
            let passed_over = message == "WATCHDOG=1" || message.starts_with("STATUS=");
            assert!(passed_over, "`{message}` while waiting for `{begin}`");
        }
    }

    fn signal(&self, signal: Signal) {
        let pid = i32::try_from(self.child.id()).unwrap();
        kill_process(Pid::from_raw(pid).unwrap(), signal).unwrap();
    }

    fn proc_status(&self, key: &str) -> u64 {
        // The service runs on the thread of its test, the newest of the process.
        let tasks = fs::read_dir(format!("/proc/{}/task", self.child.id())).unwrap();
        let newest = tasks
            .map(|task| task.unwrap().file_name().into_string().unwrap())
            .max_by_key(|task| task.parse::<u32>().unwrap())
            .unwrap();
        let status = fs::read_to_string(format!("/proc/{}/task/{newest}/status", self.child.id()));
        let status = status.unwrap();
        let line = status.lines().find(|line| line.starts_with(key)).unwrap();
        line.split_whitespace().nth(1).unwrap().parse().unwrap()
    }

    fn finish(mut self) -> (ExitStatus, String) {
        let status = self.child.wait().unwrap();
        let log = fs::read_to_string(self.folder.path().join("log")).unwrap();
        (status, log)
    }
}

#[test]
fn the_service_manager_hears_of_every_change_and_signals_are_heeded() {
    // sd_notify(3): READY=1, STATUS=, RELOADING=1 with MONOTONIC_USEC=, STOPPING=1.
    let process = Process::start(&[]);
    process.expect("READY=1");
    process.expect("STATUS=next: accounts at 12:00");
    process.expect("STATUS=running: accounts; next: studio-files at 02:30");
    process.signal(Signal::HUP);
    let reloading = process.expect("RELOADING=1");
    assert!(reloading.contains("\nMONOTONIC_USEC="), "{reloading}");
    process.expect("READY=1");
    process.signal(Signal::TERM);
    process.expect("STOPPING=1");
    let (status, log) = process.finish();
    assert!(status.success(), "{status}");
    assert!(log.ends_with("end accounts signal: 15 (SIGTERM)"), "{log}");
    assert_eq!(log.matches("load").count(), 2, "{log}");
}

#[test]
fn sigint_stops_the_service_too() {
    let process = Process::start(&[]);
    process.expect("READY=1");
    process.signal(Signal::INT);
    process.expect("STOPPING=1");
    assert!(process.finish().0.success());
}

#[test]
fn the_watchdog_hears_a_sign_of_life_at_half_its_time() {
    // sd_watchdog_enabled(3): "recommended that a daemon sends a keep-alive notification message to the service
    // manager every half of the time returned here".
    let process = Process::start(&[("WATCHDOG_USEC", "400000")]);
    process.expect("READY=1");
    let begun = Instant::now();
    let mut signs = 0;
    while begun.elapsed() < Duration::from_millis(1500) {
        signs += u32::from(process.message().unwrap() == "WATCHDOG=1");
    }
    // 7 or 8 in 1.5 s; a busy machine may be late with some.
    assert!((4..=9).contains(&signs), "{signs} signs of life");
    process.signal(Signal::TERM);
    assert!(process.finish().0.success());
}

#[test]
fn an_idle_service_rests_and_stays_small() {
    let process = Process::start(&[]);
    process.expect("READY=1");
    process.expect("STATUS=");
    process.expect("STATUS=running");
    std::thread::sleep(Duration::from_millis(200));
    let switches = process.proc_status("voluntary_ctxt_switches");
    std::thread::sleep(Duration::from_secs(2));
    assert_eq!(
        process.proc_status("voluntary_ctxt_switches"),
        switches,
        "woke while idle"
    );
    let resident = process.proc_status("VmRSS") / 1024;
    println!("idle service: {resident} MiB resident, test harness included");
    // The design's bound for an idle service.
    assert!(resident <= 12, "{resident} MiB resident");
    process.signal(Signal::TERM);
    assert!(process.finish().0.success());
}
