//! One run in words: worded once, laid out as text by `run_text` and as HTML by `run_html`.
//!
//! Every string in here is safe to show on one line; the layouts only wrap or escape for HTML.

use jiff::tz::TimeZone;

use crate::record::{Form, RunRecord, StepRecord, Trigger};

use super::amounts::{between, bytes, counted, date_time, seconds, shown, time};
use super::decision_words::decisions;
use super::safe_text::{safe_line, truncate};
use super::space_words::{job_use, space};
use super::{Mood, Verdict};

/// Columns after which a line of the log or a command is cut in a mail: ten lines of a report.
const LONGEST_QUOTE: usize = 780;

/// How much to tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Detail {
    /// Commands only of the steps that failed.
    Mail,
    /// Every command, and every generation that is kept.
    Full,
}

#[derive(Debug, Clone, PartialEq)]
pub struct RunWords {
    /// The whole matter in one sentence.
    pub verdict: String,
    pub mood: Mood,
    /// May be empty.
    pub reason: String,
    pub sections: Vec<Section>,
}

#[derive(Debug, Clone, PartialEq)]
pub struct Section {
    pub title: String,
    pub blocks: Vec<Block>,
}

#[derive(Debug, Clone, PartialEq)]
pub enum Block {
    Numbered(Vec<String>),
    Bullets(Vec<String>),
    Fields(Vec<(&'static str, String)>),
    Steps(Vec<StepWords>),
    Log(Vec<String>),
}

#[derive(Debug, Clone, PartialEq)]
pub struct StepWords {
    pub mark: &'static str,
    pub mood: Mood,
    pub took: String,
    pub words: String,
    /// Its status and commands, where they are told.
    pub quotes: Vec<String>,
}

impl RunWords {
    pub fn of(run: &RunRecord, zone: &TimeZone, detail: Detail) -> Self {
        let sections = [
            advice(run),
            notes(run),
            Some(what_ran(run, zone)),
            what_changed(run),
            steps(run, detail),
            decisions(&run.decisions, zone, detail),
            space_left(run),
            log(run),
        ];
        Self {
            verdict: verdict_sentence(run),
            mood: Verdict::of(run.outcome).mood,
            reason: safe_line(&run.reason),
            sections: sections.into_iter().flatten().collect(),
        }
    }
}

fn verdict_sentence(run: &RunRecord) -> String {
    let verdict = Verdict::of(run.outcome);
    let subject = format!("{} on {}", run.job, run.server);
    let took = run.ended.map(|ended| between(run.started, ended));
    match (verdict.mood, took) {
        (Mood::Open, _) => format!("{subject} is still running."),
        (Mood::Bad, _) if verdict.mark == "FAILED" => format!("{subject} {}.", verdict.words()),
        (Mood::Bad, _) => format!("{subject} was {}.", verdict.words()),
        (_, took) => {
            let new = run.changes.map(|c| format!(": {} new", bytes(c.new_bytes)));
            let took = took.map(|took| format!(" in {took}"));
            let notes = notes_counted(run).map(|notes| format!(", with {notes}"));
            let tail: String = [new, took, notes].into_iter().flatten().collect();
            format!("{subject} went well{tail}.")
        }
    }
}

/// `1 note`, `3 notes`, or nothing.
pub(super) fn notes_counted(run: &RunRecord) -> Option<String> {
    let notes = u64::try_from(run.notes.len()).unwrap_or(u64::MAX);
    (notes > 0).then(|| counted(notes, "note", "notes"))
}

pub(super) fn section(title: &str, block: Block) -> Section {
    Section {
        title: title.to_owned(),
        blocks: vec![block],
    }
}

fn safe_lines(lines: &[String]) -> Vec<String> {
    lines.iter().map(|line| safe_line(line)).collect()
}

fn advice(run: &RunRecord) -> Option<Section> {
    let lines = safe_lines(&run.advice);
    let block = match lines.len() {
        0 => return None,
        1 => Block::Bullets(lines),
        _ => Block::Numbered(lines),
    };
    Some(section("What to do", block))
}

fn notes(run: &RunRecord) -> Option<Section> {
    let lines = safe_lines(&run.notes);
    (!lines.is_empty()).then(|| section("Worth knowing", Block::Bullets(lines)))
}

fn what_ran(run: &RunRecord, zone: &TimeZone) -> Section {
    let mut fields = vec![("Job", format!("{}, {}", run.job, run.kind))];
    if !run.about.is_empty() {
        fields.push(("About", safe_line(&run.about)));
    }
    fields.push(("Started", started(run, zone)));
    if let Some(ended) = run.ended {
        let took = between(run.started, ended);
        fields.push(("Ended", format!("{}, took {took}", time(ended, zone))));
    }
    fields.push(("Drive", run.drive.to_string()));
    if let Some(generation) = run.generation {
        let form = run.form.map_or("", form_words);
        fields.push(("Generation", format!("{generation}{form}")));
    }
    if !run.landing.is_empty() {
        let label = if run.generation.is_some() {
            "Landed at"
        } else {
            "Meant for"
        };
        fields.push((label, safe_line(&run.landing)));
    }
    if let Some(next) = run.next {
        fields.push(("Next run", date_time(next, zone)));
    }
    fields.push(("Run", safe_line(&run.id)));
    section("What ran", Block::Fields(fields))
}

fn started(run: &RunRecord, zone: &TimeZone) -> String {
    let why = match run.trigger {
        Trigger::Hand => "by hand".to_owned(),
        Trigger::Schedule { .. } => "by its schedule".to_owned(),
        Trigger::CatchUp { planned } => {
            format!("catching up on {}, which was missed", time(planned, zone))
        }
    };
    format!("{}, {why}", date_time(run.started, zone))
}

fn form_words(form: Form) -> &'static str {
    match form {
        Form::Tree => ", a folder of plain files",
        Form::Current => ", the mirror's folder `current`",
        Form::Tar => ", one tar file (zstd)",
        Form::SealedTar => ", one tar file (zstd), encrypted with age",
    }
}

fn what_changed(run: &RunRecord) -> Option<Section> {
    let changes = run.changes?;
    let entries = |amount| counted(amount, "entry", "entries");
    let fields = vec![
        ("New data", bytes(changes.new_bytes)),
        ("Created", entries(changes.created)),
        ("Changed", entries(changes.changed)),
        ("Vanished", entries(changes.vanished)),
        (
            "All of it",
            format!("{}, {}", entries(changes.files), bytes(changes.bytes)),
        ),
    ];
    let title = match run.outcome {
        Some(outcome) if !outcome.is_well() && run.generation.is_none() => {
            "What would have changed"
        }
        _ => "What changed",
    };
    Some(section(title, Block::Fields(fields)))
}

fn steps(run: &RunRecord, detail: Detail) -> Option<Section> {
    let steps: Vec<_> = run
        .steps
        .iter()
        .map(|step| step_words(step, detail))
        .collect();
    (!steps.is_empty()).then(|| section("Steps", Block::Steps(steps)))
}

fn step_words(step: &StepRecord, detail: Detail) -> StepWords {
    let mut quotes = Vec::new();
    if !step.ended_well {
        quotes.push(safe_line(&step.status));
    }
    if !step.ended_well || detail == Detail::Full {
        quotes.extend(step.commands.iter().map(|command| quote(command, detail)));
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

fn space_left(run: &RunRecord) -> Option<Section> {
    let space_now = run.space?;
    let mut fields = vec![(
        "Space",
        space(space_now.total, space_now.free, space_now.reserve),
    )];
    if let Some(used) = job_use(space_now.job_use, space_now.cap) {
        fields.push(("This job", used));
    }
    Some(section(
        &format!("Drive {}", run.drive),
        Block::Fields(fields),
    ))
}

fn log(run: &RunRecord) -> Option<Section> {
    let mut blocks = Vec::new();
    if !run.log_tail.is_empty() {
        let lines = run.log_tail.iter().map(|line| quote(line, Detail::Mail));
        blocks.push(Block::Log(lines.collect()));
    }
    if !run.log_file.is_empty() {
        let place = format!("{} on {}", safe_line(&run.log_file), run.server);
        blocks.push(Block::Fields(vec![("Whole log", place)]));
    }
    let title = if run.log_tail.is_empty() {
        "Log"
    } else {
        "The end of the log"
    };
    (!blocks.is_empty()).then(|| Section {
        title: title.to_owned(),
        blocks,
    })
}

/// `25 Nov 02:30`, for tables.
pub(super) fn short_time(at: jiff::Timestamp, zone: &TimeZone) -> String {
    shown(at, zone, "%e %b %H:%M")
}
