//! The SMTP password: read from its file for each session, kept nowhere else.

use std::fs::File;
use std::io::Read;
use std::os::unix::fs::MetadataExt;
use std::path::Path;

/// Far above any password; a file larger than this is something else.
const LONGEST: u64 = 4096;

/// Anything for others, or writing for the group.
const TOO_OPEN: u32 = 0o027;

/// The first and only line of `path`, without the newline behind it.
pub(super) fn read_password(path: &Path) -> Result<String, String> {
    let shown = path.display();
    let cannot =
        |error: std::io::Error| format!("cannot read the password file `{shown}`: {error}");
    let file = File::open(path).map_err(cannot)?;
    let mode = file.metadata().map_err(cannot)?.mode() & 0o7777;
    if mode & TOO_OPEN != 0 {
        return Err(format!(
            "the password file `{shown}` is open to others (mode {mode:03o}); \
             close it with `chmod 600 {shown}`"
        ));
    }
    let mut text = String::new();
    file.take(LONGEST)
        .read_to_string(&mut text)
        .map_err(cannot)?;
    let password = text.strip_suffix('\n').unwrap_or(&text);
    let password = password.strip_suffix('\r').unwrap_or(password);
    if password.is_empty() || password.contains(['\n', '\r', '\0']) {
        return Err(format!(
            "the password file `{shown}` must hold the password on one line and nothing else"
        ));
    }
    Ok(password.to_owned())
}

#[cfg(test)]
mod tests {
    use std::os::unix::fs::PermissionsExt;

    use super::*;

    fn read(content: &[u8], mode: u32) -> Result<String, String> {
        let file = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(file.path(), content).unwrap();
        std::fs::set_permissions(file.path(), std::fs::Permissions::from_mode(mode)).unwrap();
        read_password(file.path())
            .map_err(|error| error.replace(&file.path().display().to_string(), "FILE"))
    }

    #[test]
    fn a_password_ends_at_its_newline_and_keeps_its_spaces() {
        assert_eq!(read(b" clay pot \n", 0o600).unwrap(), " clay pot ");
        assert_eq!(read(b"clay\r\n", 0o440).unwrap(), "clay");
        assert_eq!(read(b"clay", 0o400).unwrap(), "clay");
    }

    #[test]
    fn a_password_file_open_to_others_is_refused() {
        for mode in [0o644, 0o604, 0o660, 0o601] {
            assert_eq!(
                read(b"clay\n", mode).unwrap_err(),
                format!(
                    "the password file `FILE` is open to others (mode {mode:03o}); \
                     close it with `chmod 600 FILE`"
                )
            );
        }
    }

    #[test]
    fn a_file_without_exactly_one_line_is_no_password() {
        for content in [&b""[..], b"\n", b"one\ntwo\n"] {
            assert_eq!(
                read(content, 0o600).unwrap_err(),
                "the password file `FILE` must hold the password on one line and nothing else"
            );
        }
        assert!(
            read(b"\xff\xfe", 0o600)
                .unwrap_err()
                .starts_with("cannot read")
        );
    }
}
