//! The coreutils commands that work on a folder of a remote drive: mkdir(1), mv(1), rm(1), sync(1), cat(1).

use std::path::{Path, PathBuf};

use super::ssh::remote_words;
use crate::plan::{Argv, Owner};

/// Makes a folder and what is missing above it, readable by its owner only.
pub fn make_folder(path: &Path) -> Argv {
    Argv::new("install")
        .args(["-d", "-m", "0700", "--"])
        .arg(path)
}

/// Flushes the whole file system that holds `path`.
pub fn flush(path: &Path) -> Argv {
    Argv::new("sync").args(["-f", "--"]).arg(path)
}

/// A script for another host that renames, never into an existing folder and never over an existing file:
/// mv(1) leaves a name that is taken alone, without calling that a failure.
pub fn rename(from: &Path, to: &Path) -> Vec<u8> {
    let rename = Argv::new("mv").args(["-n", "-T", "--"]).arg(from).arg(to);
    let is_gone = Argv::new("test").args(["!", "-e"]).arg(from);
    all_of(&[remote_words(&rename), remote_words(&is_gone)])
}

/// Each only after the one before it ended well.
fn all_of(commands: &[Vec<u8>]) -> Vec<u8> {
    commands.join(b" && ".as_slice())
}

pub fn remove(path: &Path) -> Argv {
    Argv::new("rm")
        .args(["-rf", "--one-file-system", "--"])
        .arg(path)
}

/// Makes folders that belong to an account, and are closed to others.
pub fn make_folders_for(owner: &Owner, folders: &[PathBuf]) -> Argv {
    Argv::new("install")
        .args([
            "-d",
            "-m",
            "0700",
            "-o",
            &owner.user,
            "-g",
            &owner.group,
            "--",
        ])
        .args(folders)
}

/// Mounts an empty place in memory, through which every account may come to what is its own in it.
pub fn mount_memory(at: &Path, most: Option<u64>) -> Argv {
    let size = most.map_or_else(String::new, |most| format!(",size={most}"));
    Argv::new("mount")
        .args(["-t", "tmpfs", "-o"])
        .arg(format!("mode=0711,nosuid,nodev{size}"))
        .arg("hayloft")
        .arg(at)
}

/// Makes a folder that every account may come through.
pub fn make_open_folder(path: &Path) -> Argv {
    Argv::new("install")
        .args(["-d", "-m", "0711", "--"])
        .arg(path)
}

/// Makes the folder that files are brought back to, with the usual mode.
pub fn make_target(path: &Path) -> Argv {
    Argv::new("mkdir").args(["-p", "--"]).arg(path)
}

pub fn print(path: &Path) -> Argv {
    Argv::new("cat").arg("--").arg(path)
}

/// The first bytes of a file.
pub fn print_first(path: &Path, most: u64) -> Argv {
    Argv::new("head")
        .arg("-c")
        .arg(most.to_string())
        .arg("--")
        .arg(path)
}

/// Writes standard input to a new file and flushes it.
pub fn write_from_stdin(path: &Path) -> Argv {
    let mut to = std::ffi::OsString::from("of=");
    to.push(path);
    Argv::new("dd")
        .args(["bs=1M", "iflag=fullblock", "conv=fsync,excl", "status=none"])
        .arg(to)
}

/// A script for another host that writes standard input beside `path`, flushes it, and renames it over
/// `path` if all `bytes` of it came: a broken connection looks like an end there.
pub fn replace_from_stdin(path: &Path, bytes: usize) -> Vec<u8> {
    let name = path.file_name().unwrap_or_default();
    let mut new = std::ffi::OsString::from(".");
    new.push(name);
    new.push(".new");
    let new = path.with_file_name(new);
    let mut to = std::ffi::OsString::from("of=");
    to.push(&new);
    let write = Argv::new("dd")
        .args(["bs=1M", "conv=fsync", "status=none"])
        .arg(to);
    let is_whole = [
        b"test \"$(".as_slice(),
        &remote_words(&length(&new)),
        format!(")\" = {bytes}").as_bytes(),
    ]
    .concat();
    let rename = Argv::new("mv").args(["-f", "-T", "--"]).arg(&new).arg(path);
    all_of(&[remote_words(&write), is_whole, remote_words(&rename)])
}

/// A script for another host that writes standard input to `path`, flushes it, and fails unless all `bytes` of it
/// came.
pub fn write_all_from_stdin(path: &Path, bytes: u64) -> Vec<u8> {
    let mut to = std::ffi::OsString::from("of=");
    to.push(path);
    let write = Argv::new("dd")
        .args(["bs=1M", "conv=fsync", "status=none"])
        .arg(to);
    let is_whole = [
        b"test \"$(".as_slice(),
        &remote_words(&length(path)),
        format!(")\" = {bytes}").as_bytes(),
    ]
    .concat();
    all_of(&[remote_words(&write), is_whole])
}

/// What another host knows of a file or folder; see [`parse_told`].
pub fn tell(path: &Path) -> Argv {
    Argv::new("stat")
        .args(["-c", "%a %u %g %s %.9Y", "--"])
        .arg(path)
}

/// A file or folder as stat(1) tells it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Told {
    pub mode: u32,
    pub uid: u32,
    pub gid: u32,
    pub size: u64,
    /// Of the last modification: seconds, and nanoseconds after these.
    pub modified: (i64, u32),
}

/// Reads what [`tell`] printed: `755 0 0 4096 1795573800.000000005`.
pub fn parse_told(text: &str) -> Option<Told> {
    let mut words = text.split_whitespace();
    let mode = u32::from_str_radix(words.next()?, 8).ok()?;
    let (uid, gid) = (words.next()?.parse().ok()?, words.next()?.parse().ok()?);
    let size = words.next()?.parse().ok()?;
    let (seconds, nanos) = words.next()?.split_once('.')?;
    Some(Told {
        mode: mode & 0o7777,
        uid,
        gid,
        size,
        modified: (seconds.parse().ok()?, nanos.parse().ok()?),
    })
}

/// The length of a file in bytes.
pub fn length(path: &Path) -> Argv {
    Argv::new("stat").args(["-c", "%s", "--"]).arg(path)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::fs;
    use std::io::Write;
    use std::process::{Command, Stdio};

    /// The shell of this host stands for that of another one.
    fn shell(script: &[u8], input: &[u8]) -> bool {
        use std::os::unix::ffi::OsStrExt;
        let mut child = Command::new("sh")
            .arg("-c")
            .arg(std::ffi::OsStr::from_bytes(script))
            .stdin(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        child.stdin.take().unwrap().write_all(input).unwrap();
        child.wait().unwrap().success()
    }

    #[test]
    fn a_small_file_that_comes_only_in_part_replaces_nothing() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("it's a list");
        fs::write(&path, "before").unwrap();
        let script = replace_from_stdin(&path, 11);
        assert!(!shell(&script, b"half of"));
        assert_eq!(fs::read_to_string(&path).unwrap(), "before");
        assert!(shell(&script, b"all of this"));
        assert_eq!(fs::read_to_string(&path).unwrap(), "all of this");
    }

    #[test]
    fn what_comes_only_in_part_is_not_called_written() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("it's whole");
        let script = write_all_from_stdin(&path, 11);
        assert!(!shell(&script, b"half of"));
        assert!(shell(&script, b"all of this"));
        assert_eq!(fs::read_to_string(&path).unwrap(), "all of this");
    }

    #[test]
    fn what_stat_tells_of_a_file_is_read() {
        use std::os::unix::fs::MetadataExt;
        let file = tempfile::NamedTempFile::new().unwrap();
        fs::write(&file, "bowl").unwrap();
        let argv = tell(file.path());
        let out = Command::new(argv.program).args(argv.args).output().unwrap();
        let told = parse_told(&String::from_utf8(out.stdout).unwrap()).unwrap();
        let there = fs::metadata(&file).unwrap();
        let expected = Told {
            mode: 0o600,
            uid: there.uid(),
            gid: there.gid(),
            size: 4,
            modified: (there.mtime(), u32::try_from(there.mtime_nsec()).unwrap()),
        };
        assert_eq!(told, expected);
        assert_eq!(parse_told("755 0 0"), None);
    }

    #[test]
    fn a_name_that_is_taken_is_never_renamed_over_and_the_command_fails() {
        let folder = tempfile::tempdir().unwrap();
        let path = |name: &str| folder.path().join(name);
        for name in ["new.partial", "taken"] {
            fs::create_dir(path(name)).unwrap();
        }
        assert!(!shell(&rename(&path("new.partial"), &path("taken")), b""));
        assert!(path("new.partial").exists());
        assert!(shell(&rename(&path("new.partial"), &path("free")), b""));
        assert!(path("free").exists() && !path("new.partial").exists());
        assert!(!shell(&rename(&path("gone"), &path("other")), b""));
    }
}
