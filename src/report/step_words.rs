//! What the steps of a run did and what their tools said, in words.

use jiff::tz::TimeZone;

use super::Mood;
use super::amounts::{count, seconds};
use super::log_words::log_line;
use super::run_words::{Block, Detail, Section, StepWords, section, went_well};
use super::safe_text::{safe_line, truncate};
use crate::record::{RunRecord, StepRecord};

/// Columns after which a line of the log or a command is cut in a mail: ten lines of a report.
const LONGEST_QUOTE: usize = 780;

/// Seconds from which the longest step is named.
const WORTH_TELLING: f64 = 1.0;

/// Steps that all went well are one line of a mail.
pub(super) fn is_folded(run: &RunRecord, detail: Detail) -> bool {
    detail == Detail::Mail
        && went_well(run)
        && !run.steps.is_empty()
        && run.steps.iter().all(|step| step.ended_well)
}

/// `8, all well; the longest, 4 min 1 s: copy what changed`
pub(super) fn steps_in_short(run: &RunRecord) -> String {
    let longest = run
        .steps
        .iter()
        .max_by(|a, b| a.seconds.total_cmp(&b.seconds));
    let tail = longest.filter(|step| step.seconds >= WORTH_TELLING);
    let tail = tail.map(|step| {
        let words = safe_line(&step.words);
        format!("; the longest, {}: {words}", seconds(step.seconds))
    });
    let amount = count(u64::try_from(run.steps.len()).unwrap_or(u64::MAX));
    format!("{amount}, all well{}", tail.unwrap_or_default())
}

pub(super) fn steps(run: &RunRecord, detail: Detail) -> Option<Section> {
    if run.steps.is_empty() || is_folded(run, detail) {
        return None;
    }
    let words = run.steps.iter().map(|step| step_words(run, step, detail));
    Some(section("Steps", Block::Steps(words.collect())))
}

fn step_words(run: &RunRecord, step: &StepRecord, detail: Detail) -> StepWords {
    let mut quotes = Vec::new();
    // the reason stands at the top already
    if !step.ended_well && step.status != run.reason {
        quotes.push(safe_line(&step.status));
    }
    if !step.ended_well || detail == Detail::Full {
        // a step of the job is named by its command
        let commands = step
            .commands
            .iter()
            .filter(|command| !step.words.contains(*command));
        quotes.extend(commands.map(|command| quote(command, detail)));
    }
    StepWords {
        mark: if step.ended_well { "well" } else { "FAILED" },
        mood: if step.ended_well {
            Mood::Good
        } else {
            Mood::Bad
        },
        took: seconds(step.seconds),
        words: safe_line(&step.words),
        quotes,
    }
}

fn quote(text: &str, detail: Detail) -> String {
    let shown = safe_line(text);
    match detail {
        Detail::Mail => truncate(&shown, LONGEST_QUOTE),
        Detail::Full => shown,
    }
}

/// What the tools said last of a run that failed. What the top says already is left out: where hayloft itself
/// found the trouble, nothing remains. `hayloft runs ID` shows the whole log instead.
pub(super) fn log(run: &RunRecord, zone: &TimeZone, detail: Detail) -> Option<Section> {
    let is_told = detail == Detail::Mail && !is_own_finding(run);
    let is_new = |line: &&String| {
        let repeats = !run.reason.is_empty() && line.contains(&run.reason);
        !repeats && !line.contains(&format!("run {} of job", run.id))
    };
    let lines = run.log_tail.iter().filter(is_new);
    let lines: Vec<_> = lines
        .map(|line| truncate(&log_line(line, zone), LONGEST_QUOTE))
        .collect();
    (is_told && !lines.is_empty()).then(|| section("The end of the log", Block::Log(lines)))
}

/// Whether the only trouble is a check of hayloft's, about which no tool said anything.
fn is_own_finding(run: &RunRecord) -> bool {
    let mut failed = run.steps.iter().filter(|step| !step.ended_well).peekable();
    failed.peek().is_some() && failed.all(|step| step.commands.is_empty())
}
