//! Real database servers of a test's own, in a scratch folder, on sockets of their own.

use std::fs;
use std::os::unix::fs::{PermissionsExt, chown};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use tempfile::TempDir;

use crate::world::{Shown, ok, skip};

const HAYLOFT: &str = env!("CARGO_BIN_EXE_hayloft");

/// A PostgreSQL server of the newest version that is installed, as Debian's `postgres`.
pub struct Postgresql {
    folder: TempDir,
}

impl Postgresql {
    pub fn start() -> Option<Self> {
        let folder = folder_of("postgres")?;
        newest_postgresql()?;
        let server = Self { folder };
        let data = server.path("data");
        ok(as_postgres(&program("initdb"))
            .args(["--auth=peer", "--encoding=UTF8", "--locale=C.UTF-8"])
            .args(["--no-sync", "--pgdata"])
            .arg(&data));
        server.go();
        Some(server)
    }

    /// After [`Self::stop`].
    pub fn go(&self) {
        let options = format!(
            "-c listen_addresses='' -c fsync=off -k {}",
            self.folder.path().display()
        );
        ok(as_postgres(&program("pg_ctl"))
            .args(["start", "--wait", "--silent", "--options", &options])
            .arg("--log")
            .arg(self.path("log"))
            .arg("--pgdata")
            .arg(self.path("data"))
            .stdin(Stdio::null()));
    }

    pub fn stop(&self) {
        ok(as_postgres(&program("pg_ctl"))
            .args(["stop", "--wait", "--silent", "--mode=immediate"])
            .arg("--pgdata")
            .arg(self.path("data")));
    }

    pub fn socket(&self) -> &Path {
        self.folder.path()
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Runs SQL, and gives what it answers.
    #[track_caller]
    pub fn sql(&self, database: &str, sql: &str) -> String {
        let output = ok(&mut self.psql(database, sql));
        String::from_utf8(output.stdout)
            .unwrap()
            .trim_end()
            .to_owned()
    }

    pub fn psql(&self, database: &str, sql: &str) -> Command {
        let file = tempfile::NamedTempFile::new_in(self.folder.path()).unwrap();
        fs::write(file.path(), sql).unwrap();
        let name = database.replace('\\', r"\\").replace('\'', r"\'");
        let mut command = as_postgres("psql");
        command
            .args(["-X", "-q", "-A", "-t", "-v", "ON_ERROR_STOP=1", "-d"])
            .arg(format!(
                "dbname='{name}' host='{}'",
                self.folder.path().display()
            ))
            .stdin(fs::File::open(file.path()).unwrap());
        command
    }

    /// A hidden command of hayloft, on one database.
    pub fn hayloft(&self, command: &str, database: &str) -> Command {
        let mut hayloft = Command::new(HAYLOFT);
        hayloft
            .arg(command)
            .arg("--socket")
            .arg(self.socket())
            .args(["--port=5432", "--role=postgres", "--account=postgres"])
            .arg(format!("--database={database}"));
        hayloft
    }

    /// Loads a dump into a database that it makes, by the name it had.
    pub fn restore(&self, dump: &Path) -> Output {
        as_postgres("pg_restore")
            .args(["--create", "--exit-on-error", "--dbname=postgres", "--host"])
            .arg(self.socket())
            .stdin(fs::File::open(dump).unwrap())
            .output()
            .unwrap()
    }
}

impl Drop for Postgresql {
    fn drop(&mut self) {
        let _ = as_postgres(&program("pg_ctl"))
            .args(["stop", "--wait", "--silent", "--mode=immediate"])
            .arg("--pgdata")
            .arg(self.path("data"))
            .output();
    }
}

/// The folder of the programs of the newest version, as Debian lays them out.
fn newest_postgresql() -> Option<PathBuf> {
    let versions = fs::read_dir("/usr/lib/postgresql").into_iter().flatten();
    let number = |path: &PathBuf| path.file_name()?.to_str()?.parse::<u32>().ok();
    let newest = versions
        .flatten()
        .map(|entry| entry.path())
        .filter(|path| path.join("bin/initdb").exists())
        .max_by_key(number);
    if newest.is_none() {
        skip("needs postgresql");
    }
    newest.map(|path| path.join("bin"))
}

fn program(name: &str) -> String {
    format!("{}/{name}", newest_postgresql().unwrap().display())
}

/// A program as the account that the server runs as.
pub fn as_postgres(program: &str) -> Command {
    let mut command = Command::new("setpriv");
    let group = uzers::get_user_by_name("postgres").unwrap();
    command
        .args(["--reuid=postgres", "--init-groups", "--regid"])
        .arg(group.primary_group_id().to_string())
        .args(["--", program])
        .current_dir("/")
        .env("LC_ALL", "C");
    command
}

/// A MariaDB server, as Debian's `mysql`.
pub struct Mariadb {
    folder: TempDir,
    child: Child,
}

impl Mariadb {
    pub fn start() -> Option<Self> {
        Self::start_with("--event-scheduler=ON")
    }

    pub fn start_with(option: &str) -> Option<Self> {
        if !Path::new("/usr/sbin/mariadbd").exists() {
            skip("needs mariadb-server");
            return None;
        }
        let folder = folder_of("mysql")?;
        let data = folder.path().join("data");
        ok(Command::new("mariadb-install-db")
            .args(["--no-defaults", "--user=mysql", "--skip-test-db"])
            .arg(format!("--tmpdir={}", folder.path().display()))
            .arg("--auth-root-authentication-method=socket")
            .arg(format!("--datadir={}", data.display())));
        let child = Self::spawn(folder.path(), option);
        let server = Self { folder, child };
        server.wait();
        Some(server)
    }

    fn spawn(folder: &Path, option: &str) -> Child {
        let within = |name: &str| folder.join(name).display().to_string();
        Command::new("/usr/sbin/mariadbd")
            .args(["--no-defaults", "--user=mysql", "--skip-networking"])
            .args([option, "--innodb-flush-log-at-trx-commit=0"])
            .arg(format!("--datadir={}", within("data")))
            // a server that starts removes what others of the same folder work with
            .arg(format!("--tmpdir={}", folder.display()))
            .arg(format!("--socket={}", within("mysqld.sock")))
            .arg(format!("--pid-file={}", within("pid")))
            .arg(format!("--log-error={}", within("log")))
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap()
    }

    fn wait(&self) {
        let begin = Instant::now();
        while !self
            .mariadb("", "SELECT 1")
            .output()
            .unwrap()
            .status
            .success()
        {
            let log = fs::read_to_string(self.path("log")).unwrap_or_default();
            assert!(begin.elapsed() < Duration::from_secs(60), "{log}");
            std::thread::sleep(Duration::from_millis(100));
        }
    }

    pub fn stop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }

    pub fn socket(&self) -> PathBuf {
        self.path("mysqld.sock")
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    #[track_caller]
    pub fn sql(&self, database: &str, sql: &str) -> String {
        let output = ok(&mut self.mariadb(database, sql));
        String::from_utf8(output.stdout)
            .unwrap()
            .trim_end()
            .to_owned()
    }

    pub fn mariadb(&self, database: &str, sql: &str) -> Command {
        let file = tempfile::NamedTempFile::new_in(self.folder.path()).unwrap();
        fs::write(file.path(), sql).unwrap();
        let mut command = Command::new("mariadb");
        command
            .args(["--no-defaults", "--batch", "--skip-column-names"])
            .arg("--default-character-set=utf8mb4")
            .arg(format!("--socket={}", self.socket().display()))
            .arg(format!("--database={database}"))
            .stdin(fs::File::open(file.path()).unwrap());
        command
    }

    /// Loads a file of SQL into a database that is there.
    pub fn load(&self, database: &str, file: &Path) -> Output {
        self.mariadb(database, "")
            .stdin(fs::File::open(file).unwrap())
            .output()
            .unwrap()
    }

    /// A hidden command of hayloft, on one database.
    pub fn hayloft(&self, command: &str, database: &str) -> Command {
        let mut hayloft = Command::new(HAYLOFT);
        hayloft
            .arg(command)
            .arg("--socket")
            .arg(self.socket())
            .arg("--role=root");
        if !database.is_empty() {
            hayloft.arg(format!("--database={database}"));
        }
        hayloft
    }
}

impl Drop for Mariadb {
    fn drop(&mut self) {
        self.stop();
    }
}

/// A folder that an account owns and that it can reach.
fn folder_of(account: &str) -> Option<TempDir> {
    if !rustix::process::geteuid().is_root() {
        skip("needs root, for the accounts of the database servers");
        return None;
    }
    let Some(user) = uzers::get_user_by_name(account) else {
        skip(format!("needs the account `{account}`"));
        return None;
    };
    let folder = tempfile::tempdir().unwrap();
    fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o755)).unwrap();
    let group = user.primary_group_id();
    chown(folder.path(), Some(user.uid()), Some(group)).unwrap();
    Some(folder)
}

/// Runs a hidden command with its standard output in a file.
#[track_caller]
pub fn into_file(command: &mut Command, file: &Path) -> Shown {
    let output = command
        .stdout(fs::File::create(file).unwrap())
        .output()
        .unwrap();
    Shown::of(&output)
}

/// Runs a hidden command with a file as its standard input.
#[track_caller]
pub fn from_file(command: &mut Command, file: &Path) -> Shown {
    let output = command
        .stdin(fs::File::open(file).unwrap())
        .output()
        .unwrap();
    Shown::of(&output)
}
