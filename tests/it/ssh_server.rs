//! A real sshd(8) on a free loopback port, with keys of its own, for one test.

use std::fs;
use std::net::{TcpListener, TcpStream};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use crate::world::{World, ok, skip};

/// The unprivileged account on the other host.
pub const HAY: &str = "hay";

pub struct Server {
    folder: PathBuf,
    pub port: u16,
    daemon: Option<Child>,
}

impl Server {
    /// A server that lets in root and the account `hay` by one key. Its folder lies in the world's.
    pub fn start(world: &World) -> Option<Self> {
        if !Path::new("/usr/sbin/sshd").exists() {
            skip("needs sshd");
            return None;
        }
        make_account();
        let folder = world.path("sshd");
        fs::create_dir(&folder).unwrap();
        // the account `hay` must come through to its key file and its folder
        for path in [folder.parent().unwrap(), &folder] {
            fs::set_permissions(path, fs::Permissions::from_mode(0o755)).unwrap();
        }
        let port = TcpListener::bind("127.0.0.1:0")
            .unwrap()
            .local_addr()
            .unwrap()
            .port();
        let mut server = Self {
            folder,
            port,
            daemon: None,
        };
        server.make_key("host_key");
        server.make_key("client_key");
        fs::copy(
            server.path("client_key.pub"),
            server.path("authorized_keys"),
        )
        .unwrap();
        server.write_settings();
        server.begin();
        Some(server)
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.join(name)
    }

    /// Makes a key pair without a passphrase (ssh-keygen(1)), in place of an earlier one.
    pub fn make_key(&self, name: &str) {
        let _ = fs::remove_file(self.path(name));
        ok(Command::new("ssh-keygen")
            .args(["-q", "-t", "ed25519", "-N", "", "-f"])
            .arg(self.path(name)));
    }

    fn write_settings(&self) {
        let (folder, port) = (self.folder.display(), self.port);
        let text = format!(
            "Port {port}\nListenAddress 127.0.0.1\nHostKey {folder}/host_key\nPidFile none\n\
            AuthorizedKeysFile {folder}/authorized_keys\nStrictModes no\nUsePAM no\n\
            PasswordAuthentication no\nKbdInteractiveAuthentication no\nPermitRootLogin prohibit-password\n"
        );
        fs::write(self.path("sshd_config"), text).unwrap();
    }

    /// Starts the daemon and waits until it answers.
    pub fn begin(&mut self) {
        fs::create_dir_all("/run/sshd").unwrap();
        let log = fs::File::create(self.path("log")).unwrap();
        let daemon = Command::new("/usr/sbin/sshd")
            .args(["-D", "-e", "-f"])
            .arg(self.path("sshd_config"))
            .stdin(Stdio::null())
            .stderr(log)
            .spawn()
            .unwrap();
        self.daemon = Some(daemon);
        let patience = Instant::now() + Duration::from_secs(20);
        while TcpStream::connect(("127.0.0.1", self.port)).is_err() {
            assert!(Instant::now() < patience, "sshd does not answer");
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// Ends the daemon, with the sessions that it serves.
    pub fn stop(&mut self) {
        self.cut_sessions();
        if let Some(mut daemon) = self.daemon.take() {
            let _ = daemon.kill();
            let _ = daemon.wait();
        }
    }

    /// Kills the processes that serve connections; tells how many there were.
    pub fn cut_sessions(&self) -> usize {
        let daemon = self.daemon.as_ref().map_or(0, Child::id);
        // a session is a process for root's part, one for the account's, and the command
        let mut ids = children(daemon);
        let mut next = 0;
        while let Some(id) = ids.get(next) {
            ids.extend(children(id.unsigned_abs()));
            next += 1;
        }
        for id in &ids {
            let id = rustix::process::Pid::from_raw(*id).unwrap();
            // gone already is as good
            let _ = rustix::process::kill_process(id, rustix::process::Signal::KILL);
        }
        ids.len()
    }

    /// The line that pins this server's host key, from ssh-keyscan(1).
    pub fn pin(&self, world: &World) {
        let port = self.port.to_string();
        let out = ok(Command::new("ssh-keyscan").args(["-t", "ed25519", "-p", &port, "127.0.0.1"]));
        assert!(!out.stdout.is_empty(), "ssh-keyscan found no key");
        fs::create_dir_all(world.state()).unwrap();
        fs::write(world.state().join("known_hosts"), out.stdout).unwrap();
    }

    /// `ssh`, `port` and `identity`, as lines of a table or, joined with commas, of an inline one.
    pub fn keys(&self, user: &str) -> [String; 3] {
        [
            format!("ssh = \"{user}@127.0.0.1\""),
            format!("port = {}", self.port),
            format!("identity = \"{}\"", self.path("client_key").display()),
        ]
    }

    /// A drive `barn` in `folder` of this server; makes the folder, and gives it to the account.
    pub fn write_drive(&self, world: &World, user: &str, folder: &Path) {
        let _ = fs::create_dir_all(folder);
        ok(Command::new("chown").arg(user).arg(folder));
        let keys = self.keys(user).join("\n");
        let path = folder.display();
        world.write_server(&format!(
            "[drives.barn]\n{keys}\npath = '''{path}'''\nreserve = \"1 MB\"\n"
        ));
    }
}

/// proc(5), `/proc/PID/task/TID/children`
fn children(id: u32) -> Vec<i32> {
    let text = fs::read_to_string(format!("/proc/{id}/task/{id}/children")).unwrap_or_default();
    text.split_whitespace()
        .map(|id| id.parse().unwrap())
        .collect()
}

impl Drop for Server {
    fn drop(&mut self) {
        self.stop();
    }
}

/// Adds the account if it is missing. `*` is no password, but unlike useradd's `!` it does not lock the
/// account (sshd(8), "LOGIN PROCESS").
fn make_account() {
    let is_there = || {
        let asked = Command::new("getent")
            .args(["shadow", HAY])
            .output()
            .unwrap();
        asked.stdout.starts_with(b"hay:*:")
    };
    if is_there() {
        return;
    }
    let home = ["--no-create-home", "--home-dir", "/nonexistent"];
    // two tests may try at the same time: what counts is that it is there then
    let _ = Command::new("useradd")
        .args(["--system", "--shell", "/bin/sh", "--password", "*"])
        .args(home)
        .arg(HAY)
        .output();
    let _ = Command::new("usermod").args(["-p", "*", HAY]).output();
    assert!(is_there(), "the account `{HAY}` could not be made");
}
