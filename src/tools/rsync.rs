//! rsync(1): copies, compares and lists trees.

use std::ffi::{OsStr, OsString};
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::path::Path;

use super::ssh::SshLine;
use super::{Existing, Verdict};
use crate::jobs::{Pattern, Source};
use crate::plan::{Argv, HiddenPath, Landing};

/// Everything a tree has: archive mode, hard links, ACLs, extended attributes, holes; owners by number;
/// times to the nanosecond, both when compared and when set (rsync(1), `--modify-window`): by whole
/// seconds, a file written twice within a second would be taken for unchanged.
const KEEP: [&str; 3] = ["-aHAXS", "--numeric-ids", "--modify-window=-1"];

/// XFS shows an ACL a second time, as an attribute (the kernel's `fs/xfs/xfs_xattr.c`). Compared as one,
/// it would be taken away from the drive, and the ACL with it; brought back as one, it would stay behind on other file
/// systems. A filter of attributes must also leave out what rsync leaves out by itself (rsync(1), `--xattrs`),
/// and say that it is for both sides, which `--delete-excluded` would make one.
const NOT_KEPT: [&str; 2] = ["--filter=-xsr system.*", "--filter=-xsr trusted.SGI_ACL_*"];

/// One change a line: what, length, modification time, name. rsync writes control characters in
/// names as `\#012`, so a line is always one name.
const ITEMIZE: &str = "--out-format=%i %l %M %n%L";

/// What is copied and what is left out. Paths are kept whole below the target (`--relative`), so that
/// patterns that begin with `/` are anchored at the root of the source's host.
#[derive(Debug, Clone, Copy)]
pub struct What<'a> {
    pub source: &'a Source,
    pub source_line: Option<&'a SshLine>,
    pub exclude: &'a [Pattern],
    pub hidden: &'a [HiddenPath],
}

/// Compares the source with a tree on the drive: lists what would be new, changed or deleted.
pub fn compare(what: What, landing: &Landing, entry: &str) -> Argv {
    base(what, landing.ssh())
        .args(["--dry-run", "--delete", "--delete-excluded"])
        .args(["--stats", ITEMIZE])
        .args(operands(what))
        .arg(landing.rsync_argument(entry))
}

/// Lists the source, as if it were copied to a place that is empty.
pub fn list_source(what: What, nowhere: &Path) -> Argv {
    base(what, None)
        .args(["--dry-run", "--stats", ITEMIZE])
        .args(operands(what))
        .arg(nowhere)
}

/// Copies into the new folder `entry`; files equal to those in `share_with` (folders beside `entry`) are hard-linked.
pub fn copy_sharing(what: What, landing: &Landing, entry: &str, share_with: &[String]) -> Argv {
    let mut argv = base(what, landing.ssh());
    for other in share_with {
        argv = argv.arg(format!("--link-dest=../{other}"));
    }
    // After a broken connection the folder may hold a half-written file of the first try; and files that
    // are shared already, whose owner or mode must not be changed for the older generation too.
    argv.args(["--delete", "--delete-excluded", "--ignore-existing"])
        .args(progress())
        .args(operands(what))
        .arg(target(landing, entry))
}

/// Brings `entry` to be as the source: also deletes there what the source no longer has.
pub fn copy_over(what: What, landing: &Landing, entry: &str) -> Argv {
    base(what, landing.ssh())
        .args(["--delete-delay", "--delete-excluded"])
        .args(progress())
        .args(operands(what))
        .arg(target(landing, entry))
}

/// A local target is relative to the job's folder, which is held open since its drive was checked.
fn target(landing: &Landing, entry: &str) -> OsString {
    match landing.ssh() {
        None => OsString::from(format!("./{entry}/")),
        Some(_) => landing.rsync_argument(entry),
    }
}

fn progress() -> [&'static str; 4] {
    [ITEMIZE, "--stats", "--info=progress2", "--outbuf=Line"]
}

fn base(what: What, drive_line: Option<&SshLine>) -> Argv {
    let mut argv = Argv::new("rsync").args(KEEP).args(["--relative", "-s"]);
    if let Some(line) = drive_line.or(what.source_line) {
        argv = argv.arg("-e").arg(line.rsync_shell());
    }
    argv = match drive_line {
        // where attributes stand for ACLs there is none that a file system shows twice
        Some(line) if line.keeps_owners_in_xattrs() => argv.arg("-M--fake-super"),
        _ => argv.args(NOT_KEPT),
    };
    for path in what.hidden {
        argv = argv.option("--exclude", literal(&path.path));
    }
    what.exclude.iter().fold(argv, |argv, pattern| {
        argv.option("--exclude", filter_pattern(pattern))
    })
}

/// rsync(1), PATTERN MATCHING RULES: backslashes are ordinary in a pattern that has no wildcard. And by
/// `--exclude`: `!` alone forgets the patterns before it, and `+ ` and `- ` in front say what a pattern does.
fn filter_pattern(pattern: &Pattern) -> String {
    let text = pattern.matching();
    if text.contains(['*', '?', '[']) {
        return text;
    }
    let mut plain = String::with_capacity(text.len());
    let mut chars = text.chars();
    while let Some(c) = chars.next() {
        plain.extend(if c == '\\' { chars.next() } else { Some(c) });
    }
    let is_taken = plain == "!" || plain.starts_with("+ ") || plain.starts_with("- ");
    if is_taken {
        plain.insert(1, ']');
        plain.insert_str(0, "[\\");
    }
    plain
}

fn operands(what: What) -> Vec<OsString> {
    let mut operands = vec![OsString::from("--")];
    for (index, path) in what.source.paths().iter().enumerate() {
        let mut operand = OsString::new();
        if let Some(line) = what.source_line {
            // rsync(1): further sources on the same host are written `:path`.
            if index == 0 {
                operand.push(line.rsync_host());
            }
            operand.push(":");
            // the other host takes its operands for patterns (rsync(1), `--secluded-args`)
            operand.push(literal(path));
        } else {
            operand.push(path);
        }
        operands.push(operand);
    }
    operands
}

/// A filter pattern that matches just this path (rsync(1), PATTERN MATCHING RULES).
fn literal(path: &Path) -> OsString {
    let bytes = path.as_os_str().as_bytes();
    if !bytes.iter().any(|b| b"*?[".contains(b)) {
        return path.as_os_str().to_owned();
    }
    let mut text = Vec::new();
    for &byte in bytes {
        if b"*?[\\".contains(&byte) {
            text.push(b'\\');
        }
        text.push(byte);
    }
    OsString::from_vec(text)
}

/// Brings `paths` (absolute; everything if empty) back from a tree on the drive to below `target`.
pub fn bring_back(
    landing: &Landing,
    entry: &str,
    paths: &[impl AsRef<Path>],
    target: &Path,
    existing: Existing,
) -> Argv {
    let mut argv = bring_back_base(landing);
    if existing == Existing::Keep {
        argv = argv.arg("--ignore-existing");
    }
    argv.args(progress())
        .args(tree_operands(landing, entry, paths))
        .arg(slashed(target))
}

/// Lists what [`bring_back`] would write.
pub fn compare_back(
    landing: &Landing,
    entry: &str,
    paths: &[impl AsRef<Path>],
    target: &Path,
) -> Argv {
    bring_back_base(landing)
        .args(["--dry-run", "--stats", ITEMIZE])
        .args(tree_operands(landing, entry, paths))
        .arg(slashed(target))
}

fn bring_back_base(landing: &Landing) -> Argv {
    let mut argv = Argv::new("rsync").args(KEEP).args(["--relative", "-s"]);
    if let Some(line) = landing.ssh() {
        argv = argv.arg("-e").arg(line.rsync_shell());
    }
    match landing.ssh() {
        Some(line) if line.keeps_owners_in_xattrs() => argv.arg("-M--fake-super"),
        _ => argv.args(NOT_KEPT),
    }
}

/// rsync(1), `--relative`: what stands before `/./` is not part of the copied path.
fn tree_operands(landing: &Landing, entry: &str, paths: &[impl AsRef<Path>]) -> Vec<OsString> {
    let mut operands = vec![OsString::from("--")];
    let root = [Path::new("/")];
    let paths: Vec<&Path> = if paths.is_empty() {
        root.to_vec()
    } else {
        paths.iter().map(AsRef::as_ref).collect()
    };
    for path in paths {
        let mut operand = landing.rsync_argument(entry);
        operand.push(".");
        operand.push(if path.is_absolute() {
            OsStr::new("")
        } else {
            OsStr::new("/")
        });
        match landing.ssh() {
            Some(_) => operand.push(literal(path)),
            None => operand.push(path),
        }
        operands.push(operand);
    }
    operands
}

fn slashed(path: &Path) -> OsString {
    let mut text = path.as_os_str().to_owned();
    text.push("/");
    text
}

/// rsync(1), EXIT VALUES.
pub fn judge(code: i32) -> Verdict {
    let words = |meaning: &str| format!("`rsync` ended with exit status {code}: {meaning}");
    match code {
        0 => Verdict::Well,
        24 => Verdict::Noted("some files vanished before rsync could read them".into()),
        10 => Verdict::Again(words("error in socket I/O")),
        12 => Verdict::Again(words("the connection broke")),
        30 => Verdict::Again(words("timeout while sending or receiving")),
        35 => Verdict::Again(words("timeout waiting for a connection")),
        255 => Verdict::Again(words("the ssh connection failed")),
        1 => Verdict::Failed(words("usage error, or this rsync lacks something")),
        2 => Verdict::Failed(words("the two rsync versions do not understand each other")),
        3 => Verdict::Failed(words("a source or target could not be selected")),
        4 => Verdict::Failed(words("an action is not supported on one of the two sides")),
        5 => Verdict::Failed(words("error starting the protocol")),
        6 => Verdict::Failed(words("the log file could not be written")),
        11 => Verdict::Failed(words("error reading or writing a file")),
        13 => Verdict::Failed(words("error with program diagnostics")),
        14 => Verdict::Failed(words("error in communication between its own processes")),
        15 | 16 => Verdict::Failed(words("one of its own processes crashed or was killed")),
        19 | 20 => Verdict::Failed(words("it was told to stop")),
        21 => Verdict::Failed(words("an error while waiting for its own process")),
        22 => Verdict::Failed(words("out of memory")),
        23 => Verdict::Failed(words("some files or attributes could not be copied")),
        25 => Verdict::Failed(words("the limit on deletions stopped it")),
        127 => Verdict::Failed(words("rsync is not installed on the other side")),
        _ => Verdict::Failed(words("an end that its manual does not name")),
    }
}

#[cfg(test)]
#[path = "rsync_tests.rs"]
mod tests;
