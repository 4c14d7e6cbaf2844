//! `--dry-run`: what would be done, in plain words and in the very commands.

use std::fmt::Write as _;
use std::os::unix::ffi::OsStrExt;
use std::path::PathBuf;

use jiff::{Timestamp, tz::TimeZone};
use serde::{Serialize, Serializer};

use super::wrap::wrap;
use super::{bytes, count, counted, date_time, safe_line, safe_name};
use crate::jobs::{KindName, Name, On};
use crate::plan::Stop;
use crate::record::path_text::PathText;
use crate::record::{Changes, Decision, GenerationName};

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DryRunFacts {
    pub job: Name,
    pub kind: KindName,
    pub about: String,
    pub drive: String,
    /// The job's folder on the drive.
    pub landing: String,
    /// What would be made there.
    pub entry: String,
    /// The generation that is compared with.
    pub against: Option<GenerationName>,
    /// The schedule in words.
    pub schedule: Option<String>,
    pub next: Vec<Timestamp>,
    /// What would stop the run; empty when nothing would.
    pub stops: Vec<Stop>,
    pub notes: Vec<String>,
    pub changes: Option<Changes>,
    pub first: Vec<FirstName>,
    pub steps: Vec<PlannedStep>,
    pub retired: Vec<Decision>,
    /// Bytes that their removal would give back, where that was measured.
    pub frees: Option<u64>,
    /// Of a restore: the folder that the files would be put below.
    #[serde(serialize_with = "some_path")]
    pub target: Option<PathBuf>,
    /// Of a load: the service that it goes into.
    pub service: Option<String>,
}

/// One of the first names that differ.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FirstName {
    /// `new`, `changed`, `gone`
    pub what: String,
    pub name: String,
    pub bytes: u64,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PlannedStep {
    pub words: String,
    pub on: On,
    pub commands: Vec<String>,
}

#[expect(clippy::ref_option, reason = "the shape that serde calls")]
fn some_path<S: Serializer>(path: &Option<PathBuf>, serializer: S) -> Result<S::Ok, S::Error> {
    path.clone().map(PathText).serialize(serializer)
}

pub fn dry_run_text(facts: &DryRunFacts, zone: &TimeZone) -> String {
    match (&facts.target, &facts.service) {
        (Some(target), _) => {
            let target = safe_name(target.as_os_str().as_bytes());
            restore_text(facts, format!("below {target}"))
        }
        (None, Some(service)) => restore_text(facts, format!("the service {}", safe_line(service))),
        (None, None) => run_text(facts, zone),
    }
}

fn run_text(facts: &DryRunFacts, zone: &TimeZone) -> String {
    let mut text = format!(
        "Dry run of {} ({}): nothing was written.\n",
        facts.job, facts.kind
    );
    if !facts.about.is_empty() {
        push(&mut text, "", &safe_line(&facts.about));
    }
    stops(&mut text, facts, "A run");
    when(&mut text, facts, zone);
    place(&mut text, facts);
    changes(&mut text, facts);
    section(&mut text, "Worth knowing", &facts.notes);
    steps(&mut text, facts);
    let mut retired: Vec<String> = facts
        .retired
        .iter()
        .map(|one| format!("{}: {}", one.generation, one.why))
        .collect();
    retired.extend(
        facts
            .frees
            .map(|frees| format!("that gives back {}", bytes(frees))),
    );
    section(&mut text, "Would be retired afterwards", &retired);
    text
}

fn restore_text(facts: &DryRunFacts, target: String) -> String {
    let mut text = format!(
        "Dry run of a restore of {}: nothing was written.\n",
        facts.job
    );
    stops(&mut text, facts, "A restore");
    let from = format!("{}/{}", facts.landing, facts.entry);
    section(&mut text, "From", &[from]);
    section(&mut text, "To", &[target]);
    if let Some(changes) = facts.changes {
        let _ = writeln!(
            text,
            "\nWhat would be written\n  {} in the copy; {} missing at the target, {} there that {}",
            counted(changes.files, "file", "files"),
            count(changes.created),
            count(changes.changed),
            if changes.changed == 1 {
                "differs"
            } else {
                "differ"
            }
        );
        first_names(&mut text, facts);
    }
    section(&mut text, "Worth knowing", &facts.notes);
    steps(&mut text, facts);
    text
}

fn stops(text: &mut String, facts: &DryRunFacts, what: &str) {
    if facts.stops.is_empty() {
        text.push_str("\nNothing stands in its way.\n");
        return;
    }
    let _ = writeln!(text, "\n{what} now would be stopped:");
    for stop in &facts.stops {
        push(
            text,
            "  ",
            &format!("{}: {}", stop.outcome.words(), safe_line(&stop.reason)),
        );
        for advice in &stop.advice {
            push(text, "    - ", &safe_line(advice));
        }
    }
}

fn when(text: &mut String, facts: &DryRunFacts, zone: &TimeZone) {
    let Some(schedule) = &facts.schedule else {
        text.push_str("\nWhen\n  only when asked for: the job has no schedule\n");
        return;
    };
    let _ = writeln!(text, "\nWhen\n  {schedule}; next:");
    for time in &facts.next {
        let _ = writeln!(text, "    {}", date_time(*time, zone));
    }
}

fn place(text: &mut String, facts: &DryRunFacts) {
    let _ = writeln!(text, "\nWhere\n  drive {}", safe_line(&facts.drive));
    push(
        text,
        "  ",
        &format!("{}/{}", safe_line(&facts.landing), facts.entry),
    );
    match facts.against {
        Some(name) => push(text, "  ", &format!("compared with {name}")),
        None => text.push_str("  nothing of this job is there yet\n"),
    }
}

fn changes(text: &mut String, facts: &DryRunFacts) {
    let Some(changes) = facts.changes else {
        return;
    };
    let _ = writeln!(
        text,
        "\nWhat would change\n  source: {}, {}\n  {} new, {} changed, {} gone; {} to copy",
        counted(changes.files, "file", "files"),
        bytes(changes.bytes),
        count(changes.created),
        count(changes.changed),
        count(changes.vanished),
        bytes(changes.new_bytes)
    );
    first_names(text, facts);
}

fn first_names(text: &mut String, facts: &DryRunFacts) {
    if !facts.first.is_empty() {
        text.push_str("  first names:\n");
    }
    for first in &facts.first {
        let _ = writeln!(
            text,
            "    {:<8} {:>9}  {}",
            first.what,
            bytes(first.bytes),
            safe_line(&first.name)
        );
    }
}

fn steps(text: &mut String, facts: &DryRunFacts) {
    if facts.steps.is_empty() {
        return;
    }
    text.push_str("\nSteps\n");
    for (number, step) in (1..).zip(&facts.steps) {
        let when = match step.on {
            On::Always => ", whatever happens",
            On::Failure => ", if something failed",
            On::Success => "",
        };
        push(
            text,
            &format!("{number:>3}. "),
            &format!("{}{when}", safe_line(&step.words)),
        );
        for command in &step.commands {
            // not wrapped: a command is to be copied as it is
            let _ = writeln!(text, "       {}", safe_line(command));
        }
    }
}

fn section(text: &mut String, title: &str, lines: &[String]) {
    if !lines.is_empty() {
        let _ = writeln!(text, "\n{title}");
    }
    for line in lines {
        push(text, "  ", &safe_line(line));
    }
}

/// A paragraph, with what follows the first line set in as far as its mark.
fn push(text: &mut String, mark: &str, line: &str) {
    let indent = " ".repeat(mark.chars().count());
    text.push_str(&wrap(line, mark, &indent, 80));
}
