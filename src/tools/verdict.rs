//! What a tool's end means for the run.

use super::{ldap, rsync, ssh, tar};
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
    let stages = programs.iter().zip(ends).enumerate();
    let failed = stages.filter(|(_, (_, end))| **end != Ended::WELL);
    // A stage killed by SIGPIPE was cut off by a later one; bad input makes later ones fail too.
    let (cut_off, mut causes): (Vec<_>, Vec<_>) =
        failed.partition(|(_, (_, end))| **end == Ended::Signal(SIGPIPE));
    causes.extend(cut_off.into_iter().rev());
    let mut verdict = Verdict::Well;
    for (place, (program, end)) in causes {
        verdict = judge_stage((reading, place), program, *end, errors);
        // one that is done all the same must not hide that a later one is not
        if !matches!(verdict, Verdict::Noted(_)) {
            return verdict;
        }
    }
    verdict
}

fn judge_stage(
    (reading, place): (&Reading, usize),
    program: &str,
    end: Ended,
    errors: &str,
) -> Verdict {
    let words = format!("`{program}` ended with {}", end.words());
    if *reading == Reading::OwnStep {
        return Verdict::Failed(words);
    }
    if *reading == Reading::Optional {
        let said = telling_line(errors).map(|line| format!(", saying `{line}`"));
        let said = said.unwrap_or_default();
        return Verdict::Noted(format!(
            "{words}{said}: what it tells is not kept, or only in part"
        ));
    }
    if errors.lines().any(tells_of_no_room) {
        return Verdict::Full(words);
    }
    match (program, end) {
        ("ssh", Ended::Exit(255)) => ssh::judge_connection(&words, errors),
        ("rsync", Ended::Exit(code)) => match rsync::judge(code) {
            Verdict::Again(_) | Verdict::Failed(_) if ssh::is_connection_trouble(errors) => {
                ssh::judge_connection(&words, errors)
            }
            verdict => verdict,
        },
        ("ldapsearch", Ended::Exit(code)) => ldap::judge(&words, code),
        // tar itself, or ssh handing on the status of a tar on the other host
        ("tar" | "ssh", Ended::Exit(code)) if *reading == Reading::Tar && place == 0 => {
            tar::judge(code)
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
    fn files_that_changed_do_not_hide_that_the_archive_could_not_be_written() {
        let programs = names(&["tar", "zstd", "hayloft", "ssh"]);
        let ends = [Ended::Exit(1), Ended::WELL, Ended::WELL, Ended::Exit(1)];
        let verdict = judge(
            &Reading::Tar,
            &programs,
            &ends,
            "dd: fsync failed: I/O error",
        );
        assert_eq!(
            verdict,
            Verdict::Failed("`ssh` ended with exit status 1".into())
        );
    }

    #[test]
    fn an_archive_that_another_host_cannot_read_is_not_brought_back_well() {
        let programs = names(&["ssh", "zstd", "tar"]);
        let ends = [Ended::Exit(1), Ended::Exit(1), Ended::Exit(2)];
        let verdict = judge(&Reading::Plain, &programs, &ends, "cat: Input/output error");
        assert!(matches!(verdict, Verdict::Failed(_)), "{verdict:?}");
    }

    #[test]
    fn nothing_but_its_exit_status_is_read_into_a_step_of_the_administrators_own() {
        for (program, code, errors) in [
            ("rsync", 24, ""),
            ("ssh", 255, "ssh: Could not resolve hostname till"),
            ("pg_dump", 1, "No space left on device"),
        ] {
            let verdict = judge(
                &Reading::OwnStep,
                &names(&[program]),
                &[Ended::Exit(code)],
                errors,
            );
            assert!(matches!(verdict, Verdict::Failed(_)), "{verdict:?}");
        }
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
