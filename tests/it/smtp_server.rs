//! A real SMTP server: Debian's exim4 with a configuration, spool and certificates of its own.

use std::fs;
use std::net::{TcpListener, TcpStream};
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

use crate::world::skip;

const CONFIGURATION: &str = r"
primary_hostname = mail.studio.example
spool_directory = @DIR@/spool
log_file_path = @DIR@/log/%s.log
pid_file_path = @DIR@/exim.pid
local_interfaces = 127.0.0.1
daemon_smtp_ports = @STARTTLS@ : @TLS@ : @PLAIN@
tls_on_connect_ports = @TLS@
tls_advertise_hosts = ${if eq{$received_port}{@PLAIN@}{}{*}}
tls_certificate = @DIR@/server.pem
tls_privatekey = @DIR@/server.key
auth_advertise_hosts = ${if def:tls_in_cipher {*}{}}
acl_smtp_rcpt = rcpt
acl_smtp_data = accept
host_lookup =
rfc1413_query_timeout = 0s
never_users =
keep_environment =
begin acl
rcpt:
  defer message = come back later
        local_parts = later
  deny  message = no such mailbox here
        !domains = studio.example
  deny  message = log in first
        condition = ${if eq{$received_port}{@PLAIN@}{no}{yes}}
        !authenticated = *
  accept
begin routers
keep:
  driver = accept
  transport = maildir
begin transports
maildir:
  driver = appendfile
  maildir_format
  directory = @DIR@/maildir
  user = Debian-exim
  envelope_to_add
begin retry
begin authenticators
plain:
  driver = plaintext
  public_name = PLAIN
  server_prompts = :
  server_condition = ${if and{{eq{$auth2}{hay}}{eq{$auth3}{secret-clay}}}}
  server_set_id = $auth2
";

/// Set in the child that trusts the scratch authority.
const SCRATCH: &str = "HAYLOFT_TEST_SMTP";

pub struct SmtpTestServer {
    pub folder: PathBuf,
    pub starttls: u16,
    pub tls: u16,
    pub plain: u16,
}

struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Runs `test` (named `name`) with a server. The environment of a running process cannot be changed
/// safely, so the test runs once more as a child with `SSL_CERT_FILE` set to the scratch authority.
#[track_caller]
pub fn with_smtp_server(name: &str, test: fn(&SmtpTestServer)) {
    if let Some(given) = std::env::var_os(SCRATCH) {
        let given = given.into_string().unwrap();
        let fields: Vec<_> = given.split('|').collect();
        let port = |n: usize| fields[n].parse().unwrap();
        test(&SmtpTestServer {
            folder: PathBuf::from(fields[0]),
            starttls: port(1),
            tls: port(2),
            plain: port(3),
        });
        return;
    }
    if let Some(why) = missing() {
        return skip(why);
    }
    let scratch = tempfile::tempdir().unwrap();
    let (_running, given) = start(scratch.path());
    let status = Command::new(std::env::current_exe().unwrap())
        .args(["--exact", name, "--nocapture"])
        .env("SSL_CERT_FILE", scratch.path().join("authority.pem"))
        .env(SCRATCH, given)
        .output()
        .unwrap();
    let output = String::from_utf8_lossy(&status.stdout).into_owned()
        + &String::from_utf8_lossy(&status.stderr);
    assert!(
        status.status.success() && output.contains("1 passed"),
        "{output}"
    );
}

fn missing() -> Option<String> {
    if !rustix::process::geteuid().is_root() {
        return Some("exim4 with its own configuration needs root".to_owned());
    }
    let there = |program: &str| Path::new(program).exists();
    ["/usr/sbin/exim4", "/usr/bin/openssl", "/usr/bin/python3"]
        .into_iter()
        .find(|program| !there(program))
        .map(|program| format!("{program} is not installed"))
}

fn start(folder: &Path) -> (Running, String) {
    fs::set_permissions(folder, fs::Permissions::from_mode(0o755)).unwrap();
    certificates(folder);
    for name in ["spool", "log", "maildir"] {
        fs::create_dir(folder.join(name)).unwrap();
    }
    run(
        folder,
        "chown",
        &["Debian-exim", "spool", "log", "maildir", "server.key"],
    );
    let [starttls, tls, plain] = free_ports();
    let configuration = CONFIGURATION
        .replace("@DIR@", folder.to_str().unwrap())
        .replace("@STARTTLS@", &starttls.to_string())
        .replace("@TLS@", &tls.to_string())
        .replace("@PLAIN@", &plain.to_string());
    fs::write(folder.join("exim.conf"), configuration).unwrap();
    let log = fs::File::create(folder.join("exim.out")).unwrap();
    let child = Command::new("/usr/sbin/exim4")
        .arg("-C")
        .arg(folder.join("exim.conf"))
        .arg("-bdf")
        .stdin(Stdio::null())
        .stdout(log.try_clone().unwrap())
        .stderr(log)
        .spawn()
        .unwrap();
    let running = Running(child);
    let began = Instant::now();
    while TcpStream::connect(("127.0.0.1", plain)).is_err() {
        let said = || fs::read_to_string(folder.join("exim.out")).unwrap();
        assert!(began.elapsed() < Duration::from_secs(20), "{}", said());
        sleep(Duration::from_millis(50));
    }
    let given = format!("{}|{starttls}|{tls}|{plain}", folder.display());
    (running, given)
}

fn free_ports() -> [u16; 3] {
    let listeners = [(); 3].map(|()| TcpListener::bind("127.0.0.1:0").unwrap());
    listeners.map(|listener| listener.local_addr().unwrap().port())
}

fn certificates(folder: &Path) {
    fs::write(
        folder.join("names"),
        "subjectAltName=DNS:localhost\nbasicConstraints=CA:FALSE\n",
    )
    .unwrap();
    let openssl = |words: &str| run(folder, "openssl", &words.split(' ').collect::<Vec<_>>());
    let key = "-newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes";
    openssl(&format!(
        "req -x509 {key} -days 2 -subj /CN=studio-test -keyout authority.key -out authority.pem \
         -addext basicConstraints=critical,CA:TRUE"
    ));
    openssl(&format!(
        "req {key} -subj /CN=localhost -keyout server.key -out server.csr"
    ));
    openssl(
        "x509 -req -in server.csr -CA authority.pem -CAkey authority.key -CAcreateserial -days 2 \
         -extfile names -out server.pem",
    );
}

fn run(folder: &Path, program: &str, args: &[&str]) {
    let output = Command::new(program)
        .args(args)
        .current_dir(folder)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{program}: {said}");
}

impl SmtpTestServer {
    /// The mails in the maildir, once there are `amount` of them.
    pub fn delivered(&self, amount: usize) -> Vec<Vec<u8>> {
        let began = Instant::now();
        loop {
            let files: Vec<_> = fs::read_dir(self.folder.join("maildir/new"))
                .map(|entries| entries.flatten().map(|entry| entry.path()).collect())
                .unwrap_or_default();
            if files.len() >= amount {
                return files.iter().map(|file| fs::read(file).unwrap()).collect();
            }
            let log = fs::read_to_string(self.folder.join("log/main.log"));
            assert!(began.elapsed() < Duration::from_secs(20), "{log:?}");
            sleep(Duration::from_millis(50));
        }
    }

    /// A file with this password that only its owner can read.
    pub fn password_file(&self, password: &str) -> PathBuf {
        let path = self.folder.join("smtp-password");
        fs::write(&path, format!("{password}\n")).unwrap();
        fs::set_permissions(&path, fs::Permissions::from_mode(0o600)).unwrap();
        path
    }
}
