//! `hayloft check`: what is wrong, what is risky, what is there.

use std::fmt::Write as _;

use serde::Serialize;

use super::wrap::wrap;
use super::{Style, Tone, safe_line};
use crate::jobs::{Diagnostic, Name};
use crate::plan::{Risk, Stop};

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CheckFacts {
    /// What the job files say that is wrong or doubtful.
    pub diagnostics: Vec<Diagnostic>,
    pub risks: Vec<Risk>,
    /// Why the record cannot be opened.
    pub state: Option<Stop>,
    pub drives: Vec<CheckedDrive>,
    pub hosts: Vec<CheckedHost>,
    /// Jobs whose source or programs are not there.
    pub jobs: Vec<CheckedJob>,
    /// Keys that this version reads and does nothing with, in words.
    pub not_built: Vec<String>,
    /// What a rebuild did, job by job; empty unless it was asked for.
    pub rebuilt: Vec<String>,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CheckedDrive {
    pub drive: Name,
    pub address: String,
    /// Why it cannot be written to now.
    pub stop: Option<Stop>,
    pub words: String,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CheckedHost {
    pub host: String,
    pub fingerprints: Vec<String>,
    /// Whether the key was pinned by this very check.
    pub pinned_now: bool,
    pub stop: Option<Stop>,
}

#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CheckedJob {
    pub job: Name,
    pub about: String,
    /// When it runs, in words.
    pub when: String,
    /// What its next run would retire.
    pub retires: Option<String>,
    /// What is known of the secret that opens its copies.
    pub secret: Option<String>,
    pub stops: Vec<Stop>,
}

impl CheckFacts {
    /// Everything that would keep a run from its work.
    pub fn stops(&self) -> impl Iterator<Item = &Stop> {
        let drives = self.drives.iter().filter_map(|drive| drive.stop.as_ref());
        let hosts = self.hosts.iter().filter_map(|host| host.stop.as_ref());
        self.state
            .iter()
            .chain(drives)
            .chain(hosts)
            .chain(self.jobs.iter().flat_map(|job| &job.stops))
    }
}

/// Troubles first, then risks, then what is well. Diagnostics of the files are shown by their own rendering.
pub fn check_text(facts: &CheckFacts, style: Style) -> String {
    let mut text = String::new();
    let stops: Vec<&Stop> = facts.stops().collect();
    if !stops.is_empty() {
        heading(&mut text, "Not ready", Tone::Bad, style);
    }
    for stop in stops {
        item(
            &mut text,
            &format!("{}: {}", stop.outcome.words(), stop.reason),
            &stop.advice,
        );
    }
    if !facts.risks.is_empty() {
        heading(&mut text, "Allowed, but risky", Tone::Bold, style);
    }
    risks(&mut text, &facts.risks);
    section(
        &mut text,
        "Read, but not built yet",
        facts.not_built.clone(),
        style,
    );
    section(
        &mut text,
        "Hosts",
        facts
            .hosts
            .iter()
            .filter(|host| host.stop.is_none())
            .map(host_words)
            .collect(),
        style,
    );
    let ready = facts.drives.iter().filter(|drive| drive.stop.is_none());
    section(
        &mut text,
        "Drives",
        ready
            .map(|drive| format!("{}: {}, {}", drive.drive, drive.words, drive.address))
            .collect(),
        style,
    );
    let jobs = facts.jobs.iter().map(|job| match &job.retires {
        None => format!("{}: {}", job.job, job.when),
        Some(retires) => format!("{}: {}; {retires}", job.job, job.when),
    });
    section(&mut text, "Jobs", jobs.collect(), style);
    let secrets = facts.jobs.iter().filter_map(|job| {
        let secret = job.secret.as_ref()?;
        Some(format!("{}: {secret}", job.job))
    });
    section(&mut text, "Closed copies", secrets.collect(), style);
    section(&mut text, "Rebuilt", facts.rebuilt.clone(), style);
    let verdict = match (facts.stops().count(), facts.risks.len()) {
        (0, 0) => style.paint(Tone::Good, "All is right."),
        (0, risks) => format!(
            "The job files are right; {risks} {} to think about.",
            plural(risks, "risk", "risks")
        ),
        (stops, _) => style.paint(
            Tone::Bad,
            &format!(
                "{stops} {} a run now.",
                plural(stops, "thing would stop", "things would stop")
            ),
        ),
    };
    let _ = writeln!(text, "\n{verdict}");
    text.trim_start().to_owned()
}

/// What to do is told once for all that are of one sort.
fn risks(text: &mut String, risks: &[Risk]) {
    let mut sorts: Vec<(String, Vec<String>)> = Vec::new();
    for (words, advice) in risks.iter().map(Risk::words) {
        match sorts.iter_mut().find(|(known, _)| *known == advice) {
            Some((_, alike)) => alike.push(words),
            None => sorts.push((advice, vec![words])),
        }
    }
    for (advice, alike) in sorts {
        for (number, words) in (1..).zip(&alike) {
            let advice = (number == alike.len()).then(|| advice.clone());
            item(text, words, advice.as_slice());
        }
    }
}

fn plural<'w>(count: usize, one: &'w str, many: &'w str) -> &'w str {
    if count == 1 { one } else { many }
}

fn host_words(host: &CheckedHost) -> String {
    let keys = host.fingerprints.join(", ");
    if host.pinned_now {
        format!(
            "{}: host key pinned now: {keys}. Compare it with `ssh-keygen -lf /etc/ssh/ssh_host_ed25519_key.pub` there",
            host.host
        )
    } else {
        format!("{}: answers with its pinned key {keys}", host.host)
    }
}

fn heading(text: &mut String, title: &str, tone: Tone, style: Style) {
    let _ = writeln!(text, "\n{}", style.paint(tone, title));
}

fn item(text: &mut String, words: &str, advice: &[String]) {
    text.push_str(&wrap(&safe_line(words), "  - ", "    ", 80));
    for line in advice {
        text.push_str(&wrap(&safe_line(line), "    ", "    ", 80));
    }
}

fn section(text: &mut String, title: &str, lines: Vec<String>, style: Style) {
    if lines.is_empty() {
        return;
    }
    heading(text, title, Tone::Bold, style);
    for line in lines {
        text.push_str(&wrap(&safe_line(&line), "  ", "    ", 80));
    }
}
