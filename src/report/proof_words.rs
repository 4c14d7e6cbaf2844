//! What a look at copies found, in words: for the report, the subject of a mail and the table of runs.

use std::os::unix::ffi::OsStrExt;

use super::amounts::{between, bytes, counted};
use super::run_words::{Block, Detail, Section, section};
use super::safe_text::{safe_line, safe_name};
use super::{Mood, Verdict};
use crate::plan::quote;
use crate::record::{Finding, Found, GoodCopy, Proof, RunRecord, Task, What};

/// Paths that a mail names of each copy.
const MOST_IN_A_MAIL: usize = 20;
/// Paths that `hayloft runs ID` names of each copy; the log has all.
const MOST_IN_FULL: usize = 200;
/// Files for which the commands are told.
const MOST_COMMANDS: usize = 3;

/// Where commands bring a good copy for a look.
const SCRATCH: &str = "/root/good-copy";

/// `verify: well, 12 GB re-read`, `verify: DAMAGE FOUND: in 20261125T023000Z: 2 damaged`.
pub(super) fn in_short(run: &RunRecord) -> String {
    let verdict = Verdict::of(run.outcome);
    let what = match run.task {
        Task::Slice => "re-read",
        Task::Verify | Task::Copy => "verify",
        Task::Load => "load",
        Task::Rehearse => "rehearsal",
    };
    let words = verdict.words();
    match verdict.mood {
        Mood::Good | Mood::Noted if loads(run) => format!("{what}: {words}"),
        Mood::Good | Mood::Noted => {
            let read = run.proofs.iter().map(|proof| proof.bytes).sum();
            format!("{what}: {words}, {} read", bytes(read))
        }
        Mood::Bad if verdict.detail.is_none() && !run.reason.is_empty() => {
            format!("{what}: {words}: {}", safe_line(&run.reason))
        }
        Mood::Bad | Mood::Open => format!("{what}: {words}"),
    }
}

fn loads(run: &RunRecord) -> bool {
    matches!(run.task, Task::Load | Task::Rehearse)
}

/// The whole matter in one sentence.
pub(super) fn verdict_sentence(run: &RunRecord) -> String {
    let verdict = Verdict::of(run.outcome);
    let of = format!("{} on drive {}", run.job, run.drive);
    let took = run.ended.map(|ended| between(run.started, ended));
    let took = took.map_or_else(String::new, |took| format!(" in {took}"));
    match (verdict.mood, run.task) {
        (Mood::Good | Mood::Noted, Task::Load) => {
            return format!("{} on {} was loaded{took}.", run.job, run.server);
        }
        (Mood::Good | Mood::Noted, Task::Rehearse) => {
            return format!(
                "{} on {} was rehearsed{took}: it can be loaded.",
                run.job, run.server
            );
        }
        (Mood::Bad, Task::Load) => {
            return format!("{} on {} was not loaded.", run.job, run.server);
        }
        (Mood::Bad, Task::Rehearse) => {
            return format!("{} on {}: the rehearsal FAILED.", run.job, run.server);
        }
        (Mood::Open, Task::Load | Task::Rehearse) => {
            return format!("{of} is still being loaded.");
        }
        _ => {}
    }
    match verdict.mood {
        Mood::Open => format!("The copies of {of} are still being re-read."),
        Mood::Good | Mood::Noted => {
            let read = run.proofs.iter().map(|proof| proof.bytes).sum();
            format!("{of}: what was re-read is well: {}{took}.", bytes(read))
        }
        Mood::Bad => format!("{of}: {}.", verdict.words()),
    }
}

/// What is not as it should be, a section for each copy, and the commands that put it back by hand.
pub(super) fn found(run: &RunRecord, detail: Detail) -> Vec<Section> {
    let most = match detail {
        Detail::Mail => MOST_IN_A_MAIL,
        Detail::Full => MOST_IN_FULL,
    };
    let mut sections: Vec<Section> = run
        .proofs
        .iter()
        .filter(|proof| proof.found.all() > 0)
        .map(|proof| of_copy(proof, most))
        .collect();
    sections.extend(by_hand(run));
    sections
}

fn of_copy(proof: &Proof, most: usize) -> Section {
    let mut findings: Vec<&Finding> = proof.findings.iter().collect();
    findings.sort_by_key(|one| (one.mended, one.what));
    let mut lines: Vec<String> = findings.iter().take(most).map(|one| line(one)).collect();
    let shown = u64::try_from(lines.len()).unwrap_or(u64::MAX);
    let left = proof.found.all().saturating_sub(shown);
    if left > 0 {
        lines.push(format!("and {left} more; all are in the log of the run"));
    }
    let title = format!("{}: {}", proof.generation, found_words(proof.found));
    section(&title, Block::Bullets(lines))
}

/// `2 damaged, 1 missing`
pub fn found_words(found: Found) -> String {
    let words: Vec<String> = What::ALL
        .into_iter()
        .filter(|what| found.of(*what) > 0)
        .map(|what| format!("{} {}", found.of(what), what.words()))
        .collect();
    words.join(", ")
}

fn line(finding: &Finding) -> String {
    let path = safe_name(finding.path.as_os_str().as_bytes());
    let path = if path.is_empty() {
        String::new()
    } else {
        format!(": {path}")
    };
    let mended = if finding.mended {
        "PUT RIGHT, was "
    } else {
        ""
    };
    let good = finding.good.as_ref().filter(|_| !finding.mended);
    let good = good.map_or_else(String::new, |good| {
        format!(
            "; a good copy lies in {} of {} on drive {}",
            good.generation, good.job, good.drive
        )
    });
    format!(
        "{mended}{}{path}: {}{good}",
        finding.what.words(),
        safe_line(&finding.words)
    )
}

/// For those who want to see a good copy first, and to put it back themselves.
fn by_hand(run: &RunRecord) -> Option<Section> {
    let mut lines = Vec::new();
    let mut more = 0_u64;
    for proof in &run.proofs {
        for finding in proof.findings.iter().filter(|one| !one.mended) {
            let Some(good) = &finding.good else { continue };
            if lines.len() >= 2 * MOST_COMMANDS {
                more += 1;
                continue;
            }
            lines.extend(commands(run, proof, finding, good));
        }
    }
    if more > 0 {
        lines.push(format!("and so on for {}", counted(more, "more", "more")));
    }
    (!lines.is_empty()).then(|| {
        section(
            "To look at good copies, and to put them back by hand",
            Block::Log(lines),
        )
    })
}

fn commands(run: &RunRecord, proof: &Proof, finding: &Finding, good: &GoodCopy) -> [String; 2] {
    let on_source = std::path::Path::new("/").join(&good.path);
    let restore = format!(
        "hayloft restore {} {} --from {} --to {SCRATCH}",
        good.job,
        quote(on_source.as_os_str()),
        good.generation
    );
    let mut brought = std::ffi::OsString::from(SCRATCH);
    brought.push(&on_source);
    let entry = run.form.map_or_else(
        || proof.generation.to_string(),
        |form| form.entry(proof.generation),
    );
    let damaged = std::path::Path::new(&run.landing)
        .join(entry)
        .join(&finding.path);
    let copy = format!(
        "cp -p -T {} {}",
        quote(&brought),
        quote(damaged.as_os_str())
    );
    [safe_line(&restore), safe_line(&copy)]
}

/// What was looked at, in figures.
pub(super) fn looked_at(run: &RunRecord, detail: Detail) -> Option<Section> {
    if run.proofs.is_empty() {
        return None;
    }
    let lines: Vec<String> = run.proofs.iter().map(figures).collect();
    let all = lines.len();
    let mut lines: Vec<String> = match detail {
        Detail::Full => lines,
        Detail::Mail => lines.into_iter().rev().take(5).collect(),
    };
    if lines.len() < all {
        lines.push(format!("and {} more", all - lines.len()));
    }
    Some(section("What was looked at", Block::Bullets(lines)))
}

fn figures(proof: &Proof) -> String {
    format!(
        "{}: {}, {} of {} read",
        proof.generation,
        counted(proof.names, "name", "names"),
        bytes(proof.bytes),
        counted(proof.files, "file", "files")
    )
}
