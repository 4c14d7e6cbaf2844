//! OpenSSH's client, by key and with a pinned host key only (ssh(1), `ssh_config`(5)).

use std::ffi::OsString;
use std::os::unix::ffi::OsStringExt;
use std::path::{Path, PathBuf};

use super::Verdict;
use crate::jobs::SshHost;
use crate::plan::Argv;

/// How to reach one host: who, where, with which key, against which pinned host keys.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SshLine {
    pub host: SshHost,
    /// hayloft's own `known_hosts` file, in the format of sshd(8).
    pub known_hosts: PathBuf,
}

/// Whether a host key not seen before may be written to the known hosts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum HostKey {
    Pinned,
    /// Only `check` does this, and shows the fingerprint.
    PinNow,
}

impl SshLine {
    pub fn new(host: &SshHost, known_hosts: &Path) -> Self {
        Self {
            host: host.clone(),
            known_hosts: known_hosts.to_owned(),
        }
    }

    fn options(&self, host_key: HostKey) -> Argv {
        let strict = match host_key {
            HostKey::Pinned => "StrictHostKeyChecking=yes",
            HostKey::PinNow => "StrictHostKeyChecking=accept-new",
        };
        let mut known_hosts = OsString::from("UserKnownHostsFile=\"");
        known_hosts.push(&self.known_hosts);
        known_hosts.push("\"");
        let mut argv = Argv::new("ssh")
            .args(["-o", "BatchMode=yes", "-o", strict, "-o"])
            .arg(known_hosts)
            .args([
                "-o",
                "GlobalKnownHostsFile=/dev/null",
                "-o",
                "HashKnownHosts=no",
            ])
            .args([
                "-o",
                "ConnectTimeout=20",
                "-o",
                "ServerAliveInterval=15",
                "-o",
                "ServerAliveCountMax=4",
            ]);
        if self.host.port != 22 {
            argv = argv.arg("-p").arg(self.host.port.to_string());
        }
        if let Some(identity) = &self.host.identity {
            argv = argv.args(["-o", "IdentitiesOnly=yes", "-i"]).arg(identity);
        }
        argv
    }

    /// `command` on the other host. sshd gives the words to a shell there, so each is quoted.
    pub fn command(&self, command: &Argv) -> Argv {
        self.command_with(command, HostKey::Pinned)
    }

    pub fn command_with(&self, command: &Argv, host_key: HostKey) -> Argv {
        self.script(&remote_words(command), host_key)
    }

    /// Several commands on the other host in one connection; `text` must be built of quoted words.
    pub fn script(&self, text: &[u8], host_key: HostKey) -> Argv {
        self.options(host_key)
            .arg(format!("{}@{}", self.host.user, self.host.host))
            .arg("--")
            .arg(OsString::from_vec(text.to_vec()))
    }

    /// The value of rsync's `-e`: rsync splits it at spaces and honours quotes.
    pub fn rsync_shell(&self) -> OsString {
        let argv = self.options(HostKey::Pinned);
        let words: Vec<String> = std::iter::once(&argv.program)
            .chain(&argv.args)
            .map(|word| rsync_quote(&word.to_string_lossy()))
            .collect();
        OsString::from(words.join(" "))
    }

    /// `user@host` for an rsync argument, with brackets around an IPv6 address.
    pub fn rsync_host(&self) -> String {
        let host = &self.host.host;
        let host = if host.contains(':') {
            format!("[{host}]")
        } else {
            host.clone()
        };
        format!("{}@{host}", self.host.user)
    }

    /// A remote account other than root cannot set owners or make devices: rsync then keeps them in
    /// extended attributes (rsync(1), `--fake-super`).
    pub fn keeps_owners_in_xattrs(&self) -> bool {
        self.host.user != "root"
    }
}

/// rsync's `-e` doubles a quote to mean one (rsync(1)); backslashes are ordinary there.
fn rsync_quote(word: &str) -> String {
    if word.contains([' ', '"', '\'']) {
        format!("'{}'", word.replace('\'', "''"))
    } else {
        word.to_owned()
    }
}

/// The words of `command` for the other host's POSIX shell, byte for byte. What the command says must
/// not be translated there, nor names be read as anything but bytes.
pub fn remote_words(command: &Argv) -> Vec<u8> {
    use std::os::unix::ffi::OsStrExt;
    let locale = ["env", "LC_ALL=C"].map(OsString::from);
    let mut text = Vec::new();
    for word in locale.iter().chain([&command.program]).chain(&command.args) {
        if !text.is_empty() {
            text.push(b' ');
        }
        text.push(b'\'');
        for &byte in word.as_bytes() {
            match byte {
                b'\'' => text.extend_from_slice(br"'\''"),
                _ => text.push(byte),
            }
        }
        text.push(b'\'');
    }
    text
}

/// ssh(1): exit status 255 is ssh's own trouble; its words tell which.
pub fn judge_connection(words: &str, errors: &str) -> Verdict {
    let refused = [
        "Host key verification failed",
        "REMOTE HOST IDENTIFICATION HAS CHANGED",
        "Permission denied (",
    ];
    let said = errors
        .lines()
        .rev()
        .map(str::trim)
        .find(|line| !line.is_empty())
        .unwrap_or("");
    let words = format!("{words}: {said}");
    if refused.iter().any(|text| errors.contains(text)) {
        Verdict::Refused(words)
    } else if errors.contains("closed")
        || errors.contains("reset")
        || errors.contains("Broken pipe")
    {
        Verdict::Again(words)
    } else {
        Verdict::Unreachable(words)
    }
}

pub fn is_connection_trouble(errors: &str) -> bool {
    errors.lines().any(|line| {
        line.starts_with("ssh: ")
            || line.contains("Host key verification failed")
            || line.contains("Permission denied (publickey")
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn line() -> SshLine {
        let host = SshHost {
            user: "hay".into(),
            host: "barn.example".into(),
            port: 2222,
            identity: Some("/etc/hayloft/barn key".into()),
        };
        SshLine::new(&host, Path::new("/var/lib/hayloft/known_hosts"))
    }

    #[test]
    fn a_remote_command_is_quoted_for_the_other_shell() {
        let argv = line().command(&Argv::new("mkdir").arg("-p").arg("/srv/it's hay"));
        assert_eq!(
            argv.args.last().unwrap(),
            r"'env' 'LC_ALL=C' 'mkdir' '-p' '/srv/it'\''s hay'"
        );
    }

    #[test]
    fn the_shell_given_to_rsync_keeps_a_key_file_with_a_space_in_one_word() {
        let shell = line().rsync_shell().into_string().unwrap();
        assert!(
            shell.ends_with("-p 2222 -o IdentitiesOnly=yes -i '/etc/hayloft/barn key'"),
            "{shell}"
        );
    }

    #[test]
    fn no_password_is_ever_asked_for_and_no_new_key_taken() {
        let shell = line().rsync_shell().into_string().unwrap();
        assert!(shell.contains("BatchMode=yes") && shell.contains("StrictHostKeyChecking=yes"));
    }
}
