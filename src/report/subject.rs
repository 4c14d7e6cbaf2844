//! The subject line of a run's mail: server, job, outcome.

use crate::record::{Outcome, RunRecord, Task};

use super::amounts::bytes;
use super::run_words::notes_counted;
use super::safe_text::{safe_line, truncate};
use super::{Verdict, proof_words};

/// Columns for the words behind server and job: what phones show of a subject, and a bit.
const LONGEST_REASON: usize = 60;

/// `kiln: studio-files well, 1.2 GB new`, `kiln: studio-files FAILED: drive not attached`.
///
/// One line of safe text. `=?` is taken apart, since RFC 2047 decoders would read on from there.
pub fn subject(run: &RunRecord) -> String {
    if run.task != Task::Copy {
        let words = truncate(&proof_words::in_short(run), LONGEST_REASON + 20);
        return format!("{}: {} {words}", run.server, run.job).replace("=?", "= ?");
    }
    let verdict = Verdict::of(run.outcome).words();
    let verdict = match notes_counted(run) {
        Some(notes) => verdict.replace("with notes", &format!("with {notes}")),
        None => verdict,
    };
    let tail = match run.outcome {
        Some(outcome) if outcome.is_well() => run
            .changes
            .map(|changes| format!(", {} new", bytes(changes.new_bytes))),
        Some(Outcome::Failed) if !run.reason.trim().is_empty() => {
            Some(format!(": {}", first_sentence(&run.reason)))
        }
        _ => None,
    };
    let tail = tail.unwrap_or_default();
    let line = format!("{}: {} {verdict}{tail}", run.server, run.job);
    line.replace("=?", "= ?")
}

fn first_sentence(reason: &str) -> String {
    let sentence = reason.trim().split_inclusive(". ").next().unwrap_or("");
    let words: Vec<_> = sentence.split_whitespace().collect();
    let line = safe_line(&words.join(" "));
    truncate(line.trim_end_matches(['.', ' ']), LONGEST_REASON)
}

#[cfg(test)]
mod tests {
    use super::super::sample_runs::{failed, good};
    use super::*;

    #[test]
    fn a_subject_names_server_job_and_outcome() {
        let mut run = good();
        assert_eq!(subject(&run), "kiln: studio-files well, 1.2 GB new");
        run.outcome = Some(Outcome::WellWithNotes);
        run.notes = vec!["one file vanished".to_owned()];
        assert_eq!(
            subject(&run),
            "kiln: studio-files well, with 1 note, 1.2 GB new"
        );
        run.outcome = Some(Outcome::DriveAbsent);
        assert_eq!(
            subject(&run),
            "kiln: studio-files FAILED: drive not attached"
        );
        assert_eq!(
            subject(&failed()),
            "kiln: studio-files FAILED: rsync ended with exit status 12"
        );
    }

    #[test]
    fn a_subject_stays_one_line_that_no_decoder_misreads() {
        let mut run = failed();
        run.reason = "=?utf-8?q?boo?=\r\nBcc: someone@elsewhere.example\r\n\r\nx".to_owned();
        assert_eq!(
            subject(&run),
            "kiln: studio-files FAILED: = ?utf-8?q?boo?= Bcc: someone@elsewhere.example x"
        );
        run.reason = "esc \x1b[2J bidi \u{202e}gpj. More".to_owned();
        assert_eq!(
            subject(&run),
            "kiln: studio-files FAILED: esc \\x1b[2J bidi \\u{202e}gpj"
        );
    }
}
