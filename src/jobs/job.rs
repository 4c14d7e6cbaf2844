//! One job, resolved: every default filled in, every name looked up.

use std::ops::Range;

use super::kind_keys::{belongs, special_keys, stranger};
use super::kind_reading::read_kind;
use super::reading::{Table, Value};
use super::schedule_text::{CRONTAB, crontab};
use super::step::When;
use super::{
    KeepRule, Kind, KindName, Mistake, Name, Pattern, Percent, Size, Source, Span, StepSpec,
};
use crate::schedule::Crontab;

#[derive(Debug, Clone, PartialEq)]
pub struct Job {
    pub name: Name,
    pub about: String,
    pub kind: Kind,
    /// What is copied. Absent for kinds that know by themselves (clone, directory, database, settings).
    pub source: Option<Source>,
    pub exclude: Vec<Pattern>,
    pub drive: Name,
    pub schedule: Option<Crontab>,
    pub catch_up: CatchUp,
    pub timeout: Option<Span>,
    /// Recovery point objective (NIST SP 800-34 rev. 1): at most this much work may be lost.
    pub rpo: Option<Span>,
    /// Recovery time objective (NIST SP 800-34 rev. 1): it must be back within this.
    pub rto: Option<Span>,
    pub cap: Option<Size>,
    pub change_guard: Option<Percent>,
    pub rehearse: Option<Crontab>,
    pub after: Vec<Name>,
    pub keep: Vec<KeepRule>,
    pub pre: Vec<StepSpec>,
    pub post: Vec<StepSpec>,
}

/// What happens to a time that passed while the server was off or asleep.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CatchUp {
    /// `catch_up = true`, the default: run once, soon after.
    RunSoon,
    /// `catch_up = false`: record it as missed and wait for the next time.
    Skip,
}

/// A name that must be looked up once all files are read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Reference {
    pub name: String,
    pub range: Range<usize>,
}

/// A job file as read on its own.
pub(super) struct ReadJob {
    /// `None` when the file has a mistake without which there is no job.
    pub job: Option<Job>,
    pub drive: Option<Reference>,
    pub after: Vec<Reference>,
    /// Whether there are `[[pre]]` or `[[post]]` steps, right or wrong.
    pub has_steps: bool,
}

impl ReadJob {
    pub fn read(name: Option<&Name>, mut table: Table<'_>) -> Self {
        let kind_value = table.require("kind", KindName::EXPECTED);
        if let Some(value) = &kind_value {
            table.range = value.range.clone();
        }
        let kind_name = kind_value.and_then(|v| v.parse(KindName::EXPECTED, KindName::parse));
        if let Some(kind) = kind_name {
            table.words = format!("a job of kind `{kind}`");
            warn_if_not_built(&table, kind);
            warn_if_endless(&table, kind);
        }
        let has_steps = table.holds("pre") || table.holds("post");
        let drive = table.require("drive", "name one of the drives of server.toml");
        let drive = drive.and_then(|value| reference(&value));
        let after = table
            .take("after")
            .and_then(|value| references(&value))
            .unwrap_or_default();
        let drive_name = drive.as_ref().and_then(|d| Name::parse(&d.name).ok());
        let names = Names {
            job: name.cloned(),
            drive: drive_name,
            after: after
                .iter()
                .filter_map(|a| Name::parse(&a.name).ok())
                .collect(),
        };
        let job = read_job(&mut table, kind_name, names);
        if let Some(kind) = kind_name {
            table.finish_explaining(|key| stranger(key, kind));
        } else {
            // Which of these belong here is known once the kind is.
            special_keys().for_each(|key| drop(table.take(key)));
            table.finish();
        }
        Self {
            job,
            drive,
            after,
            has_steps,
        }
    }
}

fn warn_if_not_built(table: &Table<'_>, kind: KindName) {
    if !kind.is_built() {
        let message = format!("this version reads jobs of kind `{kind}`, but cannot run them yet");
        table.findings.warning(&table.range, Mistake::new(message));
    }
}

fn warn_if_endless(table: &Table<'_>, kind: KindName) {
    let grows = matches!(kind, KindName::History | KindName::Archive);
    if grows && !table.holds("keep") && !table.holds("cap") {
        let message = "there is neither `[[keep]]` nor `cap`: every generation is kept until the drive is full";
        let mistake = Mistake::new(message).help("add `[[keep]]` rules, a `cap`, or both");
        table.findings.warning(&table.range, mistake);
    }
}

struct Names {
    job: Option<Name>,
    drive: Option<Name>,
    after: Vec<Name>,
}

/// All other keys. Each is read before any is missed, so that every mistake is told.
fn read_job(table: &mut Table<'_>, kind_name: Option<KindName>, names: Names) -> Option<Job> {
    let about = table
        .take("about")
        .and_then(|v| v.text("a few words on what this is"));
    let schedule = table.optional("schedule", CRONTAB, crontab);
    let catch_up = table.take("catch_up").and_then(|value| value.boolean());
    let timeout = table.optional("timeout", Span::EXPECTED, Span::parse);
    let rpo = table.optional("rpo", Span::EXPECTED, Span::parse);
    let rto = table.optional("rto", Span::EXPECTED, Span::parse);
    let rehearse = table.optional("rehearse", CRONTAB, crontab);
    let pre = tables(table, "pre", |table| StepSpec::read(table, When::Pre));
    let post = tables(table, "post", |table| StepSpec::read(table, When::Post));
    let shared = read_shared(table, kind_name);
    let kind = read_kind(kind_name?, table);
    Some(Job {
        name: names.job?,
        about: about.unwrap_or_default().to_owned(),
        kind: kind?,
        source: shared.source,
        exclude: shared.exclude,
        drive: names.drive?,
        schedule,
        catch_up: if catch_up == Some(false) {
            CatchUp::Skip
        } else {
            CatchUp::RunSoon
        },
        timeout,
        rpo,
        rto,
        cap: shared.cap,
        change_guard: shared.change_guard,
        rehearse,
        after: names.after,
        keep: shared.keep,
        pre,
        post,
    })
}

/// Keys that several kinds have, but not all.
#[derive(Default)]
struct SharedKeys {
    source: Option<Source>,
    exclude: Vec<Pattern>,
    cap: Option<Size>,
    change_guard: Option<Percent>,
    keep: Vec<KeepRule>,
}

fn read_shared(table: &mut Table<'_>, kind: Option<KindName>) -> SharedKeys {
    let mut shared = SharedKeys::default();
    if is_wanted("source", table, kind) {
        let source = table.require("source", Source::EXPECTED);
        shared.source = source.and_then(|value| Source::read(&value));
    }
    if is_wanted("exclude", table, kind) {
        let exclude = table.take("exclude");
        shared.exclude = exclude
            .and_then(|v| v.list_of(Pattern::EXPECTED, Pattern::parse))
            .unwrap_or_default();
    }
    if is_wanted("change_guard", table, kind) {
        shared.change_guard = table.optional("change_guard", Percent::EXPECTED, Percent::parse);
    }
    if is_wanted("cap", table, kind) {
        shared.cap = table.optional("cap", Size::EXPECTED, Size::parse_some);
    }
    if is_wanted("keep", table, kind) {
        shared.keep = tables(table, "keep", KeepRule::read);
    }
    shared
}

/// Whether to read `key`. While the kind is not known, that is all that is there: its mistakes are told as well.
fn is_wanted(key: &str, table: &Table<'_>, kind: Option<KindName>) -> bool {
    kind.map_or_else(|| table.holds(key), |kind| belongs(key, kind))
}

/// `[[key]]`: each of its tables.
fn tables<T>(
    table: &mut Table<'_>,
    key: &'static str,
    read: impl Fn(Table<'_>) -> Option<T>,
) -> Vec<T> {
    let expected = format!("one or more tables, each begun by a line `[[{key}]]`");
    let Some(value) = table.take(key) else {
        return Vec::new();
    };
    let elements = value.list(&expected).unwrap_or_default();
    let tables = elements
        .iter()
        .filter_map(|e| e.table(format!("`[[{key}]]`"), &expected));
    tables.filter_map(read).collect()
}

fn reference(value: &Value<'_>) -> Option<Reference> {
    let name = value.text(Name::EXPECTED)?.to_owned();
    Some(Reference {
        name,
        range: value.range.clone(),
    })
}

fn references(value: &Value<'_>) -> Option<Vec<Reference>> {
    let elements = value.list("a list of names of jobs, such as [\"accounts\"]")?;
    Some(elements.iter().filter_map(reference).collect())
}

/// A key of the job that stands below the first `[[…]]` line, and so belongs to that table for TOML.
pub(super) fn misplaced_under_list(key: &str) -> Option<Mistake> {
    JOB_KEYS.contains(&key).then(|| {
        Mistake::new(format!(
            "`{key}` is a key of the job, and stands below a `[[…]]` line"
        ))
        .allowed("keys of the job stand above the first `[[…]]` line")
        .help("move this line up")
    })
}

const JOB_KEYS: [&str; 16] = [
    "kind",
    "about",
    "source",
    "exclude",
    "drive",
    "schedule",
    "catch_up",
    "timeout",
    "rpo",
    "rto",
    "cap",
    "change_guard",
    "rehearse",
    "after",
    "encrypt",
    "target",
];
