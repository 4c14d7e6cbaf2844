//! A scratch world for end-to-end tests: the studio's source, a real drive on a loop device, job files, and
//! the real binary.

use std::fmt::{Display, Write as _};
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

use tempfile::TempDir;

/// A variable in the environment of every process of one world.
const MARK: &str = "FAULTS_WORLD";

const HAYLOFT: &str = env!("CARGO_BIN_EXE_hayloft");

/// For [`World::slow_down`]: GNU tar rests after each half MiB (its manual, "Checkpoints").
pub const SLOW_TAR: &str = "--checkpoint=50 --checkpoint-action=exec='sleep 0.2'";

/// The studio's server `kiln` with its drive `shelf`, in a folder of its own.
pub struct World {
    folder: TempDir,
}

/// Says why a test cannot be done here; where CI is set it must be done.
pub fn skip(why: impl Display) {
    assert!(
        std::env::var_os("CI").is_none(),
        "cannot be skipped in CI: {why}"
    );
    eprintln!("skipped: {why}");
}

/// The folder that leads to every world, as manifests name it. Other tests make worlds in it at any moment, also between
/// the copying and the manifest of a copy on another host: its time is not held against anything.
pub fn leading_folder() -> String {
    let folder = std::env::temp_dir();
    let path = folder.to_str().unwrap();
    path.trim_matches('/').to_owned()
}

/// Whether loop devices can be mounted here; says why when not.
pub fn can_mount() -> bool {
    let is_root = rustix::process::geteuid().is_root();
    if !is_root {
        skip("needs root, for mounts and owners");
    } else if !Path::new("/dev/loop-control").exists() {
        skip("needs loop devices");
    }
    is_root && Path::new("/dev/loop-control").exists()
}

/// What is on a drive.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum FileSystem {
    Ext4,
    /// Needs a drive of at least 315 megabytes (mkfs.xfs(8) refuses less than 300 MiB).
    Xfs,
    Btrfs,
}

impl FileSystem {
    fn make(self) -> Command {
        let (program, options): (_, &[&str]) = match self {
            // as on a disk of usual size: small ones get smaller blocks, which hold less of names and attributes
            Self::Ext4 => ("mkfs.ext4", &["-q", "-F", "-b", "4096", "-I", "256"]),
            Self::Xfs => ("mkfs.xfs", &["-q", "-f"]),
            Self::Btrfs => ("mkfs.btrfs", &["-q", "-f"]),
        };
        let mut command = Command::new(program);
        command.args(options);
        command
    }

    /// Whether a drive can have it here; says why when not.
    fn is_known(self) -> bool {
        let name = format!("{self:?}").to_lowercase();
        let has_program = self.make().arg("-V").output().is_ok();
        let known = fs::read_to_string("/proc/filesystems").unwrap_or_default();
        let is_known = has_program && known.lines().any(|line| line.trim_end().ends_with(&name));
        if !is_known {
            skip(format!(
                "needs {name}: its mkfs, and a kernel that knows it"
            ));
        }
        is_known
    }
}

impl World {
    /// A world with an ext4 drive of `megabytes`, mounted; `None` where that cannot be.
    pub fn new(megabytes: u64) -> Option<Self> {
        Self::with_drive(FileSystem::Ext4, megabytes)
    }

    pub fn with_drive(file_system: FileSystem, megabytes: u64) -> Option<Self> {
        if !file_system.is_known() {
            return None;
        }
        Self::on(&mut file_system.make(), megabytes)
    }

    /// With the file system that this command makes of the image it is given last.
    pub fn on(mkfs: &mut Command, megabytes: u64) -> Option<Self> {
        if !can_mount() {
            return None;
        }
        let world = Self {
            folder: tempfile::tempdir().unwrap(),
        };
        for folder in ["config/jobs", "drive", "source"] {
            fs::create_dir_all(world.path(folder)).unwrap();
        }
        for folder in ["config", "config/jobs"] {
            fs::set_permissions(world.path(folder), fs::Permissions::from_mode(0o755)).unwrap();
        }
        let image = world.path("shelf.img");
        fs::File::create(&image)
            .unwrap()
            .set_len(megabytes * 1_000_000)
            .unwrap();
        ok(mkfs.arg(&image));
        world.mount();
        world.write_server("");
        Some(world)
    }

    /// A path in the world's folder.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    /// Where the drive is mounted.
    pub fn drive(&self) -> PathBuf {
        self.path("drive")
    }

    pub fn source(&self) -> PathBuf {
        self.path("source")
    }

    pub fn state(&self) -> PathBuf {
        self.path("state")
    }

    /// The folder of a job's copies.
    pub fn copies(&self, job: &str) -> PathBuf {
        self.drive().join("hayloft/kiln").join(job)
    }

    pub fn mount(&self) {
        // as systemd does at the start (its README, "mount --make-rshared /"): what is unmounted here is so in the places
        // that rehearsals have of their own
        let _ = Command::new("mount").args(["--make-rshared", "/"]).output();
        ok(Command::new("mount")
            .args(["-o", "loop"])
            .arg(self.path("shelf.img"))
            .arg(self.drive()));
    }

    pub fn unmount(&self, options: &[&str]) {
        ok(Command::new("umount").args(options).arg(self.drive()));
    }

    pub fn uuid(&self) -> String {
        let image = self.path("shelf.img");
        let out = ok(Command::new("blkid")
            .args(["-p", "-s", "UUID", "-o", "value"])
            .arg(image));
        String::from_utf8(out.stdout).unwrap().trim().to_owned()
    }

    /// Writes server.toml, with more tables behind the usual ones; `{dir}` is the world's folder.
    pub fn write_server(&self, more: &str) {
        let (uuid, dir) = (self.uuid(), self.folder.path().display());
        let text = format!(
            "[server]\nname = \"kiln\"\ntime_zone = \"Europe/Lisbon\"\nstate_dir = \"{dir}/state\"\n\n\
            [drives.shelf]\npath = \"{dir}/drive\"\nuuid = \"{uuid}\"\nreserve = \"1 MB\"\n\n{more}"
        );
        self.write_config("server.toml", &text);
    }

    /// Writes a job file; `{dir}` in it becomes the world's folder.
    pub fn job(&self, name: &str, text: &str) {
        self.write_config(&format!("jobs/{name}.toml"), text);
    }

    /// Writes a file that only its owner can read, beside the job files.
    pub fn secret(&self, name: &str, text: &str) {
        self.write_config(name, text);
        fs::set_permissions(
            self.path("config").join(name),
            fs::Permissions::from_mode(0o600),
        )
        .unwrap();
    }

    fn write_config(&self, name: &str, text: &str) {
        let path = self.path("config").join(name);
        fs::write(
            &path,
            text.replace("{dir}", self.folder.path().to_str().unwrap()),
        )
        .unwrap();
        fs::set_permissions(&path, fs::Permissions::from_mode(0o644)).unwrap();
    }

    /// A file of the source.
    pub fn write_source(&self, name: &str, text: impl AsRef<[u8]>) {
        let path = self.source().join(name);
        fs::create_dir_all(path.parent().unwrap()).unwrap();
        fs::write(path, text).unwrap();
    }

    /// Fills the source with files of about a megabyte of text, no two alike.
    pub fn fill(&self, files: u64) {
        for number in 1..=files {
            let mut text = String::new();
            for line in 0..20_000 {
                let word = line * 2_654_435_761 * number;
                writeln!(text, "{number} {word:016x} glaze, kiln and wheel {line}").unwrap();
            }
            self.write_source(&format!("photographs/{number}.txt"), text);
        }
    }

    /// The real binary with this world's job files.
    pub fn hayloft(&self, arguments: &[&str]) -> Command {
        let slowed = self.path("bin/hayloft");
        let mut command = if slowed.exists() {
            Command::new(slowed)
        } else {
            Command::new(HAYLOFT)
        };
        command
            .arg("--config")
            .arg(self.path("config"))
            .args(arguments);
        command.env_remove("HAYLOFT_LOG").env("TERM", "dumb");
        command.env(MARK, self.folder.path());
        let programs = self.path("bin");
        if programs.exists() {
            let usual = std::env::var_os("PATH").unwrap_or_default();
            let folders = std::iter::once(programs).chain(std::env::split_paths(&usual));
            command.env("PATH", std::env::join_paths(folders).unwrap());
        }
        command
    }

    /// From here on the real `program` is started with these options before its others, to slow it down.
    pub fn slow_down(&self, program: &str, options: &str) {
        let script = self.path("bin").join(program);
        fs::create_dir_all(self.path("bin")).unwrap();
        let text = format!("#!/bin/sh\nexec /usr/bin/{program} {options} \"$@\"\n");
        fs::write(&script, text).unwrap();
        fs::set_permissions(&script, fs::Permissions::from_mode(0o755)).unwrap();
    }

    /// From here on each write of hayloft's own takes this much longer (strace(1), `--inject`).
    pub fn slow_down_writes(&self, milliseconds: u32) {
        let script = self.path("bin/hayloft");
        fs::create_dir_all(self.path("bin")).unwrap();
        let delay = milliseconds * 1000;
        let text = format!(
            "#!/bin/sh\nexec strace -D -f -qq -o /dev/null -e trace=write -e inject=write:delay_exit={delay} \
             {HAYLOFT} \"$@\"\n"
        );
        fs::write(&script, text).unwrap();
        fs::set_permissions(&script, fs::Permissions::from_mode(0o755)).unwrap();
    }

    /// All programs at their own speed again.
    pub fn full_speed(&self) {
        fs::remove_dir_all(self.path("bin")).unwrap();
    }

    /// Processes that a hayloft of this world started, or their children: by a mark in their environment.
    pub fn processes(&self) -> Vec<String> {
        let mark = format!("{MARK}={}", self.folder.path().display());
        let marked = |folder: &Path| {
            let environment = fs::read(folder.join("environ")).unwrap_or_default();
            environment
                .split(|byte| *byte == 0)
                .any(|pair| pair == mark.as_bytes())
        };
        let folders = fs::read_dir("/proc").unwrap().flatten();
        folders
            .map(|entry| entry.path())
            .filter(|folder| marked(folder))
            .map(|folder| {
                let words = fs::read(folder.join("cmdline")).unwrap_or_default();
                String::from_utf8_lossy(&words).replace('\0', " ")
            })
            .collect()
    }

    /// Runs it, and expects this exit code.
    #[track_caller]
    pub fn run(&self, arguments: &[&str], exit: i32) -> Shown {
        let shown = Shown::of(&self.hayloft(arguments).output().unwrap());
        assert_eq!(
            shown.exit,
            Some(exit),
            "hayloft {arguments:?}\n{}\n{}",
            shown.out,
            shown.errors
        );
        shown
    }

    /// As [`World::run`] with `--json`, parsed.
    #[track_caller]
    pub fn run_json(&self, arguments: &[&str], exit: i32) -> serde_json::Value {
        let shown = self.run(&[&["--json"], arguments].concat(), exit);
        serde_json::from_str(&shown.out).unwrap_or_else(|error| panic!("{error}: {}", shown.out))
    }

    /// The names of whole generations in a job's folder, oldest first.
    pub fn generations(&self, job: &str) -> Vec<String> {
        let mut names = self.entries(job);
        names.retain(|name| name.len() == 16 && name.ends_with('Z'));
        names
    }

    /// Everything in a job's folder, sorted.
    pub fn entries(&self, job: &str) -> Vec<String> {
        let Ok(entries) = fs::read_dir(self.copies(job)) else {
            return Vec::new();
        };
        let mut names: Vec<String> = entries
            .map(|entry| entry.unwrap().file_name().into_string().unwrap())
            .collect();
        names.sort();
        names
    }
}

impl Drop for World {
    fn drop(&mut self) {
        // lazily, so that a failed test leaves no mount behind; twice, for one mounted over another
        for _ in 0..2 {
            let _ = Command::new("umount").arg("-l").arg(self.drive()).output();
        }
    }
}

/// What a program showed.
#[derive(Debug)]
pub struct Shown {
    pub exit: Option<i32>,
    pub out: String,
    pub errors: String,
}

impl Shown {
    pub fn of(output: &Output) -> Self {
        Self {
            exit: output.status.code(),
            out: String::from_utf8_lossy(&output.stdout).into_owned(),
            errors: String::from_utf8_lossy(&output.stderr).into_owned(),
        }
    }
}

/// Runs a program of the test's own, which must end well.
#[track_caller]
pub fn ok(command: &mut Command) -> Output {
    let output = command
        .output()
        .unwrap_or_else(|error| panic!("{command:?}: {error}"));
    assert!(
        output.status.success(),
        "{command:?}: {}",
        String::from_utf8_lossy(&output.stderr)
    );
    output
}
