//! ssh-keygen(1): finds and shows pinned host keys.

use std::path::Path;

use crate::jobs::SshHost;
use crate::plan::Argv;

/// Prints the fingerprints of a host's pinned keys; exit status 1 when there are none.
pub fn fingerprints(host: &SshHost, known_hosts: &Path) -> Argv {
    Argv::new("ssh-keygen")
        .args(["-l", "-F"])
        .arg(known_as(host))
        .arg("-f")
        .arg(known_hosts)
}

/// Prints the fingerprint of the key in a file; of a public one, no more is read.
pub fn fingerprint(key: &Path) -> Argv {
    Argv::new("ssh-keygen").args(["-l", "-f"]).arg(key)
}

/// How a `known_hosts` file names a host: with brackets where the port is not 22 (sshd(8)).
fn known_as(host: &SshHost) -> String {
    if host.port == 22 {
        host.host.clone()
    } else {
        format!("[{}]:{}", host.host, host.port)
    }
}

/// Reads `HOST ALGORITHM SHA256:…` lines, past the comments.
pub fn parse(text: &str) -> Vec<String> {
    let lines = text.lines().filter(|line| !line.starts_with('#'));
    let fingerprint = |line: &str| {
        let words: Vec<&str> = line.split_whitespace().collect();
        let at = words.iter().position(|word| word.starts_with("SHA256:"))?;
        let kind = words.iter().find(|word| {
            word.chars()
                .all(|c| c.is_ascii_uppercase() || c.is_ascii_digit())
                && word.len() > 2
        });
        Some(format!("{} {}", kind.unwrap_or(&""), words[at]))
    };
    lines.filter_map(fingerprint).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Printed by OpenSSH 9.2.
    #[test]
    fn the_fingerprint_of_a_pinned_key_is_read() {
        let text = "# Host [barn.example]:2222 found: line 1\n[barn.example]:2222 ED25519 SHA256:uNiVztksCsDhcc0u9e8BrMJMAcj2DgM4pMUcdUvm4Uk\n";
        assert_eq!(
            parse(text),
            ["ED25519 SHA256:uNiVztksCsDhcc0u9e8BrMJMAcj2DgM4pMUcdUvm4Uk"]
        );
    }
}
