//! GNU tar: archives in POSIX (pax) form with ACLs, extended attributes and numeric owners.

use std::collections::BTreeSet;
use std::ffi::OsString;
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::path::{Path, PathBuf};

use super::{Existing, Verdict};
use crate::jobs::Pattern;
use crate::plan::{Argv, HiddenPath};

/// What a tar archive must keep, alike when written and when read. Attributes hold ACLs too, by number.
const KEEP: [&str; 4] = [
    "--xattrs",
    "--xattrs-include=*",
    "--numeric-owner",
    "--sparse",
];

/// Writes an archive of `sources` (absolute paths) to standard output, with names relative to `/`.
pub fn create(sources: &[PathBuf], exclude: &[Pattern], hidden: &[HiddenPath]) -> Argv {
    let mut argv = Argv::new("tar")
        .args([
            "--create",
            "--file=-",
            "--format=posix",
            "--no-check-device",
            // as text too, with names of accounts, for readers that know ACLs in no other form
            "--acls",
        ])
        .args(KEEP)
        .args(["--directory=/", "--wildcards", "--no-wildcards-match-slash"]);
    for path in hidden {
        argv = argv
            .arg("--anchored")
            .option("--exclude", literal(&path.path));
    }
    for pattern in exclude {
        let text = pattern.matching();
        argv = match text.strip_prefix('/') {
            Some(anchored) => argv.arg("--anchored").option("--exclude", anchored),
            None => argv.arg("--no-anchored").option("--exclude", text),
        };
    }
    with_folders_above(argv, sources)
}

/// As [`create`], with the names of owners beside their numbers: for files that come to a system where accounts may
/// have other numbers.
pub fn create_with_names(sources: &[PathBuf]) -> Argv {
    let argv = Argv::new("tar")
        .args(["--create", "--file=-", "--format=posix", "--acls"])
        .args(KEEP.iter().filter(|option| **option != "--numeric-owner"))
        .arg("--directory=/");
    with_folders_above(argv, sources)
}

/// The folders that lead to the sources, as an archive names them.
pub fn folders_above(sources: &[PathBuf]) -> Vec<PathBuf> {
    let parents = sources.iter().flat_map(|source| source.ancestors().skip(1));
    let above: BTreeSet<PathBuf> = parents
        .filter(|path| path.parent().is_some())
        .map(below_root)
        .collect();
    above.into_iter().collect()
}

/// Adds the sources, and before them the folders that lead to them, for their owners and modes alone. Sorted, so
/// that what tells of the archive can tell each folder just before what is in it.
fn with_folders_above(mut argv: Argv, sources: &[PathBuf]) -> Argv {
    let above = folders_above(sources);
    let mut sources: Vec<&PathBuf> = sources.iter().collect();
    sources.sort();
    if !above.is_empty() {
        argv = argv.arg("--no-recursion");
        for folder in above {
            argv = argv.option("--add-file", folder);
        }
        argv = argv.arg("--recursion");
    }
    for source in sources {
        argv = argv.option("--add-file", below_root(source));
    }
    argv
}

/// Reads an archive from standard input into `target`; only `members` (absolute paths) unless empty.
pub fn extract(target: &Path, members: &[PathBuf], existing: Existing) -> Argv {
    let mut argv = Argv::new("tar")
        .args(["--extract", "--file=-"])
        .args(KEEP)
        .args([
            "--same-owner",
            "--same-permissions",
            "--delay-directory-restore",
        ]);
    if existing == Existing::Keep {
        argv = argv.arg("--keep-old-files");
    }
    // Otherwise tar removes a file before it writes the new one. `--overwrite` would write into the old
    // one, and so into what is linked to it.
    let argv = argv.option("--directory", target);
    let names = members.iter().map(|member| below_root(member));
    if members.is_empty() {
        argv
    } else {
        argv.arg("--no-wildcards").arg("--").args(names)
    }
}

/// Lists the member names of an archive on standard input, one a line, quoted as C strings.
pub fn list(members: &[PathBuf]) -> Argv {
    let argv = Argv::new("tar").args(["--list", "--file=-", "--quoting-style=escape"]);
    let names = members.iter().map(|member| below_root(member));
    if members.is_empty() {
        argv
    } else {
        argv.arg("--no-wildcards").arg("--").args(names)
    }
}

/// Undoes `--quoting-style=escape` (GNU tar manual, "Quoting Member Names").
pub fn unescape(text: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(text.len());
    let mut rest = text;
    while let Some((&byte, tail)) = rest.split_first() {
        let (byte, used) = if byte == b'\\' {
            escaped(tail)
        } else {
            (byte, 0)
        };
        out.push(byte);
        rest = &tail[used..];
    }
    out
}

/// The byte that an escape stands for, and how many bytes follow its backslash.
fn escaped(tail: &[u8]) -> (u8, usize) {
    let octal = tail
        .get(..3)
        .filter(|digits| digits.iter().all(|b| (b'0'..=b'7').contains(b)));
    if let Some(digits) = octal {
        let value = digits
            .iter()
            .fold(0_u32, |value, digit| value * 8 + u32::from(digit - b'0'));
        return (u8::try_from(value).unwrap_or(b'?'), 3);
    }
    match tail.first() {
        Some(b'n') => (b'\n', 1),
        Some(b't') => (b'\t', 1),
        Some(b'r') => (b'\r', 1),
        Some(b'a') => (7, 1),
        Some(b'b') => (8, 1),
        Some(b'f') => (12, 1),
        Some(b'v') => (11, 1),
        Some(b'?') => (127, 1),
        Some(&other) => (other, 1),
        None => (b'\\', 0),
    }
}

/// The path without its leading slash; `/` itself is `.`.
fn below_root(path: &Path) -> PathBuf {
    let below = path.strip_prefix("/").unwrap_or(path);
    if below.as_os_str().is_empty() {
        PathBuf::from(".")
    } else {
        below.to_owned()
    }
}

/// A pattern that matches just this path.
fn literal(path: &Path) -> OsString {
    let mut text = Vec::new();
    for &byte in below_root(path).as_os_str().as_bytes() {
        if b"*?[\\".contains(&byte) {
            text.push(b'\\');
        }
        text.push(byte);
    }
    OsString::from_vec(text)
}

/// GNU tar manual, "Return Values": 0 well, 1 some files differ, 2 fatal error.
pub fn judge(code: i32) -> Verdict {
    match code {
        0 => Verdict::Well,
        1 => Verdict::Noted("some files changed or vanished while tar read them; they are in the archive as tar found them".into()),
        2 => Verdict::Failed("`tar` ended with exit status 2: it could not read or write something".into()),
        code => Verdict::Failed(format!("`tar` ended with exit status {code}")),
    }
}
