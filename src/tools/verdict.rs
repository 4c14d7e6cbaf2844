//! What a tool's end means for the run.

use super::{rsync, ssh, tar};
use crate::plan::Reading;

/// How a process ended.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ended {
    Exit(i32),
    Signal(i32),
}

impl Ended {
    pub const WELL: Self = Self::Exit(0);

    pub fn words(self) -> String {
        match self {
            Self::Exit(code) => format!("exit status {code}"),
            Self::Signal(number) => format!("killed by signal {number}"),
        }
    }
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Verdict {
    Well,
    /// Done, with something worth telling.
    Noted(String),
    /// Not done, and worth another try: a connection broke, or nobody answered in time.
    Again(String),
    /// The file system written to has no room.
    Full(String),
    /// The other host does not know us, or is not the host it was.
    Refused(String),
    /// The other host does not answer.
    Unreachable(String),
    Failed(String),
}

/// signal(7)
const SIGPIPE: i32 = 13;

/// Reads the ends of a pipeline's stages, in their order, with what they wrote on standard error.
pub fn judge(reading: &Reading, programs: &[String], ends: &[Ended], errors: &str) -> Verdict {
    let failed = || {
        programs
            .iter()
            .zip(ends)
            .enumerate()
            .filter(|(_, (_, end))| **end != Ended::WELL)
    };
    // A stage killed by SIGPIPE was cut off by a later one; bad input makes later ones fail too.
    let cause = failed()
        .find(|(_, (_, end))| **end != Ended::Signal(SIGPIPE))
        .or_else(|| failed().next_back());
    let Some((place, (program, end))) = cause else {
        return Verdict::Well;
    };
    let words = format!("`{program}` ended with {}", end.words());
    if errors.lines().any(tells_of_no_room) {
        return Verdict::Full(words);
    }
    match (program.as_str(), end) {
        ("ssh", Ended::Exit(255)) => ssh::judge_connection(&words, errors),
        ("rsync", Ended::Exit(code)) => match rsync::judge(*code) {
            Verdict::Again(_) | Verdict::Failed(_) if ssh::is_connection_trouble(errors) => {
                ssh::judge_connection(&words, errors)
            }
            verdict => verdict,
        },
        // tar itself, or ssh handing on the status of a tar on the other host
        ("tar" | "ssh", Ended::Exit(code)) if *reading == Reading::Tar && place == 0 => {
            tar::judge(*code)
        }
        _ => Verdict::Failed(words),
    }
}

/// The first line of what a tool said that tells of trouble; ssh(1) also says where it could not go first.
pub fn telling_line(errors: &str) -> Option<&str> {
    let noise = [
        "Could not chdir to home directory",
        "Warning: Permanently added",
    ];
    let is_noise = |line: &str| line.is_empty() || noise.iter().any(|text| line.starts_with(text));
    errors.lines().map(str::trim).find(|line| !is_noise(line))
}

/// fsetxattr(2) says ENOSPC also for attributes that are too large for the file system, however empty it is.
fn tells_of_no_room(line: &str) -> bool {
    let no_room = line.contains("No space left on device") || line.contains("Disk quota exceeded");
    no_room && !line.contains("setxattr(")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn names(list: &[&str]) -> Vec<String> {
        list.iter().map(ToString::to_string).collect()
    }

    #[test]
    fn a_stage_cut_off_by_a_later_one_is_not_the_cause() {
        let programs = names(&["tar", "zstd", "hayloft"]);
        let ends = [Ended::Signal(13), Ended::Signal(13), Ended::Exit(2)];
        let verdict = judge(&Reading::Tar, &programs, &ends, "");
        assert_eq!(
            verdict,
            Verdict::Failed("`hayloft` ended with exit status 2".into())
        );
    }

    #[test]
    fn a_stage_that_was_fed_rubbish_is_not_the_cause() {
        let programs = names(&["hayloft", "zstd", "tar"]);
        let ends = [Ended::Exit(1), Ended::Exit(1), Ended::Exit(2)];
        let verdict = judge(&Reading::Tar, &programs, &ends, "");
        assert_eq!(
            verdict,
            Verdict::Failed("`hayloft` ended with exit status 1".into())
        );
    }

    #[test]
    fn a_full_drive_is_told_apart_whatever_the_exit_status() {
        let verdict = judge(
            &Reading::RsyncCopy,
            &names(&["rsync"]),
            &[Ended::Exit(11)],
            "write failed: No space left on device (28)",
        );
        assert!(matches!(verdict, Verdict::Full(_)));
    }

    #[test]
    fn attributes_too_large_for_the_file_system_do_not_make_a_drive_full() {
        let verdict = judge(
            &Reading::RsyncCopy,
            &names(&["rsync"]),
            &[Ended::Exit(23)],
            "rsync: [receiver] rsync_xal_set: fsetxattr(\"a\",\"user.long\") failed: No space left on device (28)",
        );
        assert!(matches!(verdict, Verdict::Failed(_)), "{verdict:?}");
    }

    #[test]
    fn an_account_without_a_home_is_not_taken_for_the_trouble() {
        let errors = "Could not chdir to home directory /nonexistent: No such file or directory\r\nrsync: mkdir failed";
        assert_eq!(telling_line(errors), Some("rsync: mkdir failed"));
    }

    #[test]
    fn a_changed_host_key_is_told_apart_from_a_broken_connection() {
        let errors = "Host key verification failed.\nrsync: connection unexpectedly closed";
        let verdict = judge(
            &Reading::RsyncCopy,
            &names(&["rsync"]),
            &[Ended::Exit(255)],
            errors,
        );
        assert!(matches!(verdict, Verdict::Refused(_)), "{verdict:?}");
    }
}
