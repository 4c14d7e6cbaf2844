//! A Debian of its own in a scratch folder, made by mmdebstrap: a server to look at, or a fresh one to rebuild it on.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Mutex;
use std::time::Duration;

use tempfile::TempDir;

use crate::world::{Shown, ok, skip};

/// All roots of a week are made from one: what they have in common is then the same to the byte.
const CACHE: &str = concat!(env!("CARGO_TARGET_TMPDIR"), "/debian-minbase-systemd.tar");
const LASTS: Duration = Duration::from_secs(7 * 24 * 60 * 60);

static BOOTSTRAP: Mutex<()> = Mutex::new(());

pub struct DebianRoot {
    folder: TempDir,
}

impl DebianRoot {
    /// A fresh Debian of the release that the tests run on; `None` where it cannot be made.
    pub fn fresh() -> Option<Self> {
        if !rustix::process::geteuid().is_root() {
            skip("needs root, for a Debian of its own");
            return None;
        }
        if let Err(why) = bootstrap() {
            skip(format!("needs a Debian mirror and mmdebstrap: {why}"));
            return None;
        }
        let root = Self {
            folder: tempfile::tempdir().unwrap(),
        };
        ok(Command::new("tar")
            .args(["--extract", "--xattrs", "--xattrs-include=*", "--file"])
            .arg(CACHE)
            .arg("--directory")
            .arg(root.folder.path()));
        for name in ["etc/resolv.conf", "etc/hosts"] {
            fs::copy(Path::new("/").join(name), root.path(name)).unwrap();
        }
        Some(root)
    }

    /// A path as it is outside.
    pub fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name.trim_start_matches('/'))
    }

    /// A command in it, with /proc, /sys and /dev, and the files and folders `bound` from outside, under the names that
    /// they have there. In a mount namespace of its own: no mount outlives it.
    pub fn command(&self, bound: &[&Path], argv: &[&str]) -> Command {
        let script = r#"
            root=$1 bound=$2; shift 2
            mount -t proc proc "$root/proc"
            mount --rbind /sys "$root/sys"
            mount --rbind /dev "$root/dev"
            while [ "$bound" -gt 0 ]; do
                if [ -d "$1" ]; then mkdir -p "$root$1"; else mkdir -p "$root${1%/*}"; : >>"$root$1"; fi
                mount --rbind "$1" "$root$1"
                bound=$((bound - 1)); shift
            done
            exec chroot "$root" "$@""#;
        let mut command = Command::new("unshare");
        command
            .args(["--mount", "--propagation", "slave", "sh", "-euc"])
            .args([script, "sh"])
            .arg(self.folder.path())
            .arg(bound.len().to_string())
            .args(bound)
            .args(argv)
            .env("LC_ALL", "C");
        command
    }

    /// What a shell in it shows; it must end well.
    #[track_caller]
    pub fn sh(&self, script: &str) -> String {
        let output = ok(&mut self.command(&[], &["sh", "-euc", script]));
        String::from_utf8(output.stdout).unwrap()
    }

    /// As [`DebianRoot::sh`], with any end.
    pub fn try_sh(&self, script: &str) -> Shown {
        let command = &mut self.command(&[], &["sh", "-euc", script]);
        Shown::of(&command.output().unwrap())
    }

    /// A line for every name, with owner, mode, time and content, but for what lies in the folder `except` and for
    /// folders' own times where it lies.
    pub fn state(&self, except: &str) -> BTreeSet<String> {
        let script = r#"cd "$1"
            find . -path ".$2" -prune -o ! -path . -printf '%p %y %m %U %G %s %T@ %l\n'
            find . -path ".$2" -prune -o -type f -exec sha256sum {} +"#;
        let output = ok(Command::new("sh")
            .args(["-euc", script, "sh"])
            .arg(self.folder.path())
            .arg(except));
        let text = String::from_utf8_lossy(&output.stdout).into_owned();
        text.lines().map(ToOwned::to_owned).collect()
    }
}

fn bootstrap() -> Result<(), String> {
    let _one_at_a_time = BOOTSTRAP
        .lock()
        .unwrap_or_else(std::sync::PoisonError::into_inner);
    let age = fs::metadata(CACHE).and_then(|found| found.modified());
    if age.is_ok_and(|time| time.elapsed().is_ok_and(|age| age < LASTS)) {
        return Ok(());
    }
    let release = fs::read_to_string("/etc/os-release").map_err(|error| error.to_string())?;
    let suite = release
        .lines()
        .find_map(|line| line.strip_prefix("VERSION_CODENAME="))
        .ok_or("this is no released Debian")?;
    let partial = format!("{CACHE}.{}", std::process::id());
    let mut command = Command::new("mmdebstrap");
    command
        .args(["--variant=minbase", "--include=systemd", "--format=tar"])
        // a mirror of a day gone by will do
        .arg("--aptopt=Acquire::Check-Valid-Until \"false\"")
        .args([suite, &partial]);
    let sources = [
        "/etc/apt/sources.list.d/debian.sources",
        "/etc/apt/sources.list",
    ];
    command.args(sources.iter().find(|file| Path::new(file).exists()));
    let output = command.output().map_err(|error| error.to_string())?;
    if !output.status.success() {
        let _ = fs::remove_file(&partial);
        let words = String::from_utf8_lossy(&output.stderr);
        return Err(words.lines().rev().take(3).collect::<Vec<_>>().join("; "));
    }
    fs::rename(&partial, CACHE).map_err(|error| error.to_string())
}
