//! One run in words: worded once, laid out as text by `run_text` and as HTML by `run_html`.
//!
//! Every string in here is safe to show on one line; the layouts only wrap or escape for HTML.

use jiff::tz::TimeZone;

use crate::record::{Changes, Exported, Form, Outcome, RunRecord, Task, Trigger};

use super::amounts::{between, bytes, counted, date_time, shown, time};
use super::decision_words::decisions;
use super::safe_text::safe_line;
use super::space_words::{job_use, space};
use super::step_words::{is_folded, log, steps, steps_in_short};
use super::{Mood, Verdict, proof_words};

/// How much to tell.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Detail {
    /// Steps only when one failed, commands only of those that did.
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
        let mut sections = vec![advice(run)];
        sections.extend(proof_words::found(run, detail).into_iter().map(Some));
        sections.extend([
            notes(run),
            Some(what_ran(run, zone, detail)),
            proof_words::looked_at(run, detail),
            exported(run),
            what_changed(run),
            steps(run, detail),
            decisions(&run.decisions, zone, detail),
            space_left(run),
            log(run, zone, detail),
        ]);
        Self {
            verdict: verdict_sentence(run),
            mood: Verdict::of(run.outcome).mood,
            reason: safe_line(&run.reason),
            sections: sections.into_iter().flatten().collect(),
        }
    }
}

fn verdict_sentence(run: &RunRecord) -> String {
    if run.task != Task::Copy {
        return proof_words::verdict_sentence(run);
    }
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
    let mut lines = safe_lines(&run.advice);
    if lines.is_empty() && run.outcome == Some(Outcome::Failed) && run.task == Task::Copy {
        let again = format!(
            "mend what the failed step and the end of the log name, then run the job again: `hayloft run {}`",
            run.job
        );
        lines.push(again);
    }
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

fn what_ran(run: &RunRecord, zone: &TimeZone, detail: Detail) -> Section {
    let mut fields = vec![("Job", format!("{}, {}", run.job, run.kind))];
    if !run.about.is_empty() {
        fields.push(("About", safe_line(&run.about)));
    }
    fields.push(("Started", started(run, zone)));
    if let Some(ended) = run.ended {
        let took = between(run.started, ended);
        fields.push(("Ended", format!("{}, took {took}", time(ended, zone))));
    }
    fields.extend(is_folded(run, detail).then(|| ("Steps", steps_in_short(run))));
    fields.extend(place(run));
    if let Some(next) = run.next {
        fields.push(("Next run", date_time(next, zone)));
    }
    match detail {
        Detail::Mail => {
            let command = format!("`hayloft runs {}` on {}", safe_line(&run.id), run.server);
            fields.push(("More", command));
        }
        Detail::Full => fields.push(("Run", safe_line(&run.id))),
    }
    section("What ran", Block::Fields(fields))
}

/// Drive, and what lies where on it, or would.
fn place(run: &RunRecord) -> Vec<(&'static str, String)> {
    let form = run.form.map_or("", form_words);
    let landing = safe_line(&run.landing);
    let mut fields = vec![("Drive", format!("{}{form}", run.drive))];
    match (run.generation, run.form) {
        _ if landing.is_empty() => {}
        (Some(generation), Some(form)) => {
            let lies = if run.task == Task::Copy {
                "Landed at"
            } else {
                "Lies at"
            };
            fields.push((lies, format!("{landing}/{}", form.entry(generation))));
        }
        _ if run.task != Task::Copy => fields.push(("Lies at", landing)),
        _ => fields.push(("Meant for", landing)),
    }
    if let Some(changes) = run.changes.filter(|_| went_well(run)) {
        fields.push(("All of it", all_of_it(changes)));
    }
    fields
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
        Form::Tree => ", as a folder of plain files",
        Form::Current => ", as plain files in the mirror's folder",
        Form::Tar => ", as one tar file (zstd)",
        Form::SealedTar => ", as one tar file (zstd), encrypted with age",
    }
}

/// In figures, where the reason is another: of a run that went well, the reason says what changed.
/// What an export holds, by its members.
fn exported(run: &RunRecord) -> Option<Section> {
    let field = |member: &Exported| {
        let amount = member.count.map(|count| {
            let (one, many) = count.of.words();
            format!("{}, ", counted(count.amount, one, many))
        });
        let words = format!("{}{}", amount.unwrap_or_default(), bytes(member.bytes));
        format!("{}: {words}", safe_line(&member.name))
    };
    let lines: Vec<String> = run.exported.iter().map(field).collect();
    let is_copy = run.task == Task::Copy;
    (is_copy && !lines.is_empty()).then(|| section("What was exported", Block::Bullets(lines)))
}

fn what_changed(run: &RunRecord) -> Option<Section> {
    if run.kind.is_export() {
        return None;
    }
    let changes = run.changes.filter(|_| !went_well(run))?;
    let fields = vec![
        ("New", files(changes.created)),
        ("Changed", files(changes.changed)),
        ("Gone", files(changes.vanished)),
        ("To copy", bytes(changes.new_bytes)),
        ("All of it", all_of_it(changes)),
    ];
    let title = if run.generation.is_none() {
        "What would have changed"
    } else {
        "What changed"
    };
    Some(section(title, Block::Fields(fields)))
}

pub(super) fn went_well(run: &RunRecord) -> bool {
    run.outcome.is_some_and(Outcome::is_well)
}

fn files(amount: u64) -> String {
    counted(amount, "file", "files")
}

fn all_of_it(changes: Changes) -> String {
    format!("{}, {}", files(changes.files), bytes(changes.bytes))
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

/// `25 Nov 02:30`, for tables.
pub(super) fn short_time(at: jiff::Timestamp, zone: &TimeZone) -> String {
    shown(at, zone, "%e %b %H:%M")
}
