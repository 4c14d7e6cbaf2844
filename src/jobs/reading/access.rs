//! Who may write what hayloft obeys, and who may read what it keeps secret.

use std::fs::{self, Metadata};
use std::os::unix::fs::MetadataExt as _;
use std::path::Path;

use super::Mistake;

/// What a configuration file or folder decides, and so why others must not write it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Role {
    Folder,
    Server,
    JobWithSteps,
    JobWithoutSteps,
}

impl Role {
    fn why(self) -> &'static str {
        match self {
            Self::Folder => "whoever can write there can add jobs, and jobs run commands",
            Self::Server => "it decides where copies go and who hears of trouble",
            Self::JobWithSteps => "its steps are commands that hayloft runs",
            Self::JobWithoutSteps => "it decides what is read and what is overwritten",
        }
    }
}

/// POSIX.1-2017 file mode bits, section 4.7.
const GROUP_WRITE: u32 = 0o020;
const OTHERS_WRITE: u32 = 0o002;
const GROUP_AND_OTHERS: u32 = 0o077;

/// Every reason not to obey this file or folder.
pub fn check_config_path(path: &Path, metadata: &Metadata, role: Role) -> Vec<Mistake> {
    let mut mistakes = Vec::new();
    mistakes.extend(check_owner(path, metadata));
    // Members of group 0 are root's own choice.
    let group = metadata.mode() & GROUP_WRITE != 0 && metadata.gid() != 0;
    let others = metadata.mode() & OTHERS_WRITE != 0;
    let (who, change) = match (group, others) {
        (false, false) => return mistakes,
        (true, false) => ("its group", "g-w"),
        (false, true) => ("everyone", "o-w"),
        (true, true) => ("its group and everyone", "go-w"),
    };
    let message = format!(
        "`{}` can be written by {who} (mode {:04o})",
        path.display(),
        metadata.mode() & 0o7777
    );
    mistakes.push(
        Mistake::new(message)
            .allowed("writable by its owner only")
            .help(format!(
                "{}; run `chmod {change} {}`",
                role.why(),
                quoted(path)
            )),
    );
    mistakes
}

/// A password, passphrase or private key: there, a file, not empty, and closed to everyone else.
pub fn check_secret_file(path: &Path) -> Result<(), Mistake> {
    let shown = path.display();
    let metadata = fs::metadata(path).map_err(|error| match error.kind() {
        std::io::ErrorKind::NotFound => Mistake::new(format!("there is no file `{shown}`"))
            .help(format!("create it with mode 0600, such as by `install -m 600 /dev/null {}`, and write the secret into it", quoted(path))),
        _ => Mistake::new(format!("`{shown}` cannot be looked at: {error}")),
    })?;
    if !metadata.is_file() {
        return Err(Mistake::new(format!("`{shown}` is not a file")));
    }
    if let Some(mistake) = check_owner(path, &metadata) {
        return Err(mistake);
    }
    if metadata.mode() & GROUP_AND_OTHERS != 0 {
        let mode = metadata.mode() & 0o7777;
        return Err(
            Mistake::new(format!("`{shown}` is open to others (mode {mode:04o})"))
                .allowed("readable and writable by its owner only, mode 0600 or 0400")
                .help(format!(
                    "it holds a secret; run `chmod 600 {}`",
                    quoted(path)
                )),
        );
    }
    if metadata.len() == 0 {
        return Err(Mistake::new(format!("`{shown}` is empty"))
            .help("write the secret into it, on the first line"));
    }
    Ok(())
}

fn check_owner(path: &Path, metadata: &Metadata) -> Option<Mistake> {
    let owner = metadata.uid();
    let running = rustix::process::geteuid().as_raw();
    if owner == 0 || owner == running {
        return None;
    }
    let allowed = if running == 0 {
        "owned by root".to_owned()
    } else {
        format!("owned by root or by the user running hayloft (id {running})")
    };
    Some(
        Mistake::new(format!("`{}` is owned by user id {owner}", path.display()))
            .allowed(allowed)
            .help(format!(
                "its owner can change it at any time; run `chown {running} {}`",
                quoted(path)
            )),
    )
}

/// Quoted for a POSIX shell (XCU 2.2.2) where it must be.
fn quoted(path: &Path) -> String {
    let text = path.to_string_lossy();
    let plain = |c: char| c.is_alphanumeric() || "/._-+:@".contains(c);
    if text.chars().all(plain) && !text.starts_with('-') {
        text.into_owned()
    } else {
        format!("'{}'", text.replace('\'', "'\\''"))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::os::unix::fs::PermissionsExt as _;

    fn file_with(mode: u32, content: &str) -> (tempfile::TempDir, std::path::PathBuf) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("secret");
        fs::write(&path, content).unwrap();
        fs::set_permissions(&path, fs::Permissions::from_mode(mode)).unwrap();
        (folder, path)
    }

    #[test]
    fn a_secret_file_that_others_may_read_is_refused_with_the_mode_and_the_command() {
        let (_folder, path) = file_with(0o644, "clay");
        let mistake = check_secret_file(&path).unwrap_err();
        assert!(mistake.message.contains("mode 0644"), "{mistake}");
        assert!(
            mistake
                .help
                .unwrap()
                .contains(&format!("chmod 600 {}", path.display()))
        );
    }

    #[test]
    fn a_closed_secret_file_is_accepted() {
        for mode in [0o600, 0o400] {
            let (_folder, path) = file_with(mode, "clay");
            assert_eq!(check_secret_file(&path), Ok(()));
        }
    }

    #[test]
    fn an_empty_or_missing_secret_or_a_folder_is_refused() {
        let (folder, path) = file_with(0o600, "");
        assert!(
            check_secret_file(&path)
                .unwrap_err()
                .message
                .ends_with("is empty")
        );
        assert!(
            check_secret_file(folder.path())
                .unwrap_err()
                .message
                .ends_with("is not a file")
        );
        let absent = folder.path().join("absent");
        assert!(
            check_secret_file(&absent)
                .unwrap_err()
                .message
                .starts_with("there is no file")
        );
    }

    #[test]
    fn a_configuration_file_that_everyone_may_write_is_refused_and_says_why() {
        let (_folder, path) = file_with(0o646, "x");
        let metadata = fs::metadata(&path).unwrap();
        let mistakes = check_config_path(&path, &metadata, Role::JobWithoutSteps);
        assert_eq!(mistakes.len(), 1);
        assert!(
            mistakes[0].message.contains("everyone (mode 0646)"),
            "{}",
            mistakes[0]
        );
        let help = mistakes[0].help.as_deref().unwrap();
        assert!(
            help.contains("overwritten") && help.contains("chmod o-w"),
            "{help}"
        );
    }

    #[test]
    fn a_path_with_a_space_is_quoted_for_the_shell() {
        assert_eq!(quoted(Path::new("/a b/it's")), "'/a b/it'\\''s'");
        assert_eq!(quoted(Path::new("/etc/hayloft")), "/etc/hayloft");
    }
}
