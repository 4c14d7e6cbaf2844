//! `hayloft status`: what needs a person first, then jobs, drives, mail and service.

use jiff::{Timestamp, tz::TimeZone};

use super::amounts::{age, between, counted, date_time, time};
use super::forecast_words::full_line;
use super::safe_text::{fit, safe_line};
use super::space_words::space;
use super::status_facts::{DriveReadiness, DriveStatus, JobStatus, MailFacts, StatusFacts};
use super::wrap::wrap;
use super::{Style, Tone, Verdict, proof_status};

/// Narrower than this, a name and its words no longer stand side by side.
const NARROWEST: usize = 40;

/// The page is made for 80 columns and folds into any `columns` from 40 on.
pub fn status_text(facts: &StatusFacts, zone: &TimeZone, columns: usize, style: Style) -> String {
    let page = Page {
        attention: &facts.attention,
        zone,
        now: facts.now,
        columns: columns.max(NARROWEST),
        label: label_width(facts, columns),
        style,
    };
    let mut text = page.heading(facts);
    text += &page.attention(&facts.attention);
    text += &page.jobs(&facts.jobs);
    text += &page.drives(&facts.drives);
    text += &page.rest(facts);
    text
}

/// Wide enough for the longest name, but never more than a third of the page.
fn label_width(facts: &StatusFacts, columns: usize) -> usize {
    let jobs = facts.jobs.iter().map(|job| job.name.as_str().len());
    let drives = facts.drives.iter().map(|drive| drive.name.as_str().len());
    let longest = jobs.chain(drives).max().unwrap_or(0).max("Service".len());
    (longest + 4).min(columns.max(NARROWEST) / 3)
}

/// Nothing failed; but a job that has nothing to bring back yet is not well.
fn without_copy(jobs: &[JobStatus]) -> (Tone, String) {
    let bare = jobs.iter().filter(|job| job.last_good.is_none()).count();
    match u64::try_from(bare).unwrap_or(u64::MAX) {
        0 => (Tone::Good, "all is well".to_owned()),
        bare => {
            let have = counted(bare, "job has", "jobs have");
            (
                Tone::Bold,
                format!("nothing failed, but {have} no copy yet"),
            )
        }
    }
}

/// A job that failed for its drive tells of the drive too.
fn told_once(attention: &[String]) -> Vec<&String> {
    let is_told = |line: &String| {
        let others = attention.iter().filter(|other| other.len() > line.len());
        others
            .into_iter()
            .any(|other| other.ends_with(line.as_str()))
    };
    attention.iter().filter(|line| !is_told(line)).collect()
}

struct Page<'a> {
    /// What stands at the top, and is not said again below.
    attention: &'a [String],
    zone: &'a TimeZone,
    now: Timestamp,
    columns: usize,
    label: usize,
    style: Style,
}

impl Page<'_> {
    fn heading(&self, facts: &StatusFacts) -> String {
        let when = date_time(facts.now, self.zone);
        let state = match told_once(&facts.attention).len() {
            0 if facts.needs_attention() => (Tone::Bad, "something NEEDS ATTENTION".to_owned()),
            0 => without_copy(&facts.jobs),
            1 => (Tone::Bad, "1 thing NEEDS ATTENTION".to_owned()),
            many => (Tone::Bad, format!("{many} things NEED ATTENTION")),
        };
        format!(
            "{}: {}, {when}\n",
            self.style.paint(Tone::Bold, facts.server.as_str()),
            self.style.paint(state.0, &state.1)
        )
    }

    fn attention(&self, lines: &[String]) -> String {
        if lines.is_empty() {
            return String::new();
        }
        let lines = told_once(lines);
        let worded = lines.iter().map(|line| {
            let wrapped = wrap(&safe_line(line), "  ! ", "    ", self.columns);
            self.paint_lines(Tone::Bad, &wrapped)
        });
        "\n".to_owned() + &worded.collect::<String>()
    }

    /// Each line painted by itself, so that a cut-off page leaves no colour behind.
    fn paint_lines(&self, tone: Tone, text: &str) -> String {
        text.lines()
            .map(|line| self.style.paint(tone, line) + "\n")
            .collect()
    }

    fn title(&self, text: &str) -> String {
        format!("\n{}\n", self.style.paint(Tone::Bold, text))
    }

    /// A name with its words beside it; a name too long for its column gets a line of its own.
    fn row(&self, name: &str, tone: Tone, first: &str, more: &[String]) -> String {
        let hang = " ".repeat(self.label);
        let (before, label) = if name.len() + 4 > self.label {
            (format!("  {name}\n"), hang.clone())
        } else {
            (String::new(), format!("  {}", fit(name, self.label - 2)))
        };
        let wrapped = wrap(&safe_line(first), &label, &hang, self.columns);
        let mut text = before;
        for line in wrapped.lines() {
            let (label, words) = line.split_at(self.label.min(line.len()));
            text.extend([label, &self.style.paint(tone, words), "\n"]);
        }
        for line in more {
            let wrapped = wrap(&safe_line(line), &hang, &hang, self.columns);
            text += &self.paint_lines(Tone::Dim, &wrapped);
        }
        text
    }

    fn is_told(&self, words: &str) -> bool {
        self.attention.iter().any(|line| line.ends_with(words))
    }

    fn jobs(&self, jobs: &[JobStatus]) -> String {
        if jobs.is_empty() {
            return format!("{}  none\n", self.title("Jobs"));
        }
        let mut sorted: Vec<_> = jobs.iter().collect();
        sorted.sort_by_key(|job| !job.needs_attention());
        self.title("Jobs") + &sorted.iter().map(|job| self.job(job)).collect::<String>()
    }

    fn job(&self, job: &JobStatus) -> String {
        let last = job.last.as_ref();
        let verdict = last.map(|last| Verdict::of(Some(last.outcome)));
        let first = match (last, verdict) {
            (Some(last), Some(verdict)) => format!(
                "{}, {} ({})",
                verdict.words(),
                time(last.ended, self.zone),
                age(last.ended, self.now)
            ),
            _ => "has not run yet".to_owned(),
        };
        let mut more = Vec::new();
        let reason = last.filter(|last| !last.outcome.is_well());
        let reason = reason.map(|last| &last.words);
        more.extend(reason.filter(|words| !self.is_told(words)).cloned());
        if let Some(since) = job.running_since {
            more.push(format!(
                "running since {}, for {}",
                time(since, self.zone),
                between(since, self.now)
            ));
        }
        more.push(self.copy_and_next(job));
        more.extend(proof_status::verified(job, self.now));
        more.extend(proof_status::rehearsed(job, self.now));
        let tone = verdict.map_or(Tone::Bold, Verdict::tone);
        self.row(job.name.as_str(), tone, &first, &more)
    }

    fn copy_and_next(&self, job: &JobStatus) -> String {
        let last_well = job.last.as_ref().filter(|last| last.outcome.is_well());
        let last_well = last_well.map(|last| age(last.ended, self.now));
        let good = match job.last_good.map(|good| age(good.ended, self.now)) {
            None => Some("NO GOOD COPY YET".to_owned()),
            // the line above says when that was
            good if good == last_well => None,
            Some(good) => Some(format!("last good copy {good}")),
        };
        let next = match (job.next, &job.schedule) {
            (Some(next), _) => format!("next {}", time(next, self.zone)),
            (None, Some(schedule)) => format!("schedule `{schedule}`"),
            (None, None) => "only by hand".to_owned(),
        };
        let parts = [Some(job.kind.to_string()), good, Some(next)];
        parts.into_iter().flatten().collect::<Vec<_>>().join("; ")
    }

    fn drives(&self, drives: &[DriveStatus]) -> String {
        if drives.is_empty() {
            return String::new();
        }
        let mut sorted: Vec<_> = drives.iter().collect();
        sorted.sort_by_key(|drive| drive.ready != DriveReadiness::NotReady);
        let rows = sorted.iter().map(|drive| self.drive(drive));
        self.title("Drives") + &rows.collect::<String>()
    }

    fn drive(&self, drive: &DriveStatus) -> String {
        let (tone, state) = match drive.ready {
            DriveReadiness::Ready => (Tone::Good, drive.words.clone()),
            DriveReadiness::NotReady if self.is_told(&drive.words) => {
                (Tone::Bad, "NOT READY".to_owned())
            }
            DriveReadiness::NotReady => (Tone::Bad, format!("NOT READY: {}", drive.words)),
            DriveReadiness::Unknown => (Tone::Bold, drive.words.clone()),
        };
        let place = if drive.offsite { ", off-site" } else { "" };
        let mut more = vec![format!("{}{place}", drive.address)];
        if let Some(left) = drive.space {
            more.push(space(left.total, left.free, left.reserve));
        }
        more.extend(
            drive
                .filling
                .as_ref()
                .map(|filling| full_line(filling, self.now)),
        );
        if let Some(reread) = &drive.reread {
            more.extend(proof_status::reread(reread, self.zone, self.now));
        }
        self.row(drive.name.as_str(), tone, &state, &more)
    }

    fn rest(&self, facts: &StatusFacts) -> String {
        let mut text = "\n".to_owned();
        if let Some(mail) = &facts.mail {
            let tone = if mail.needs_attention() {
                Tone::Bad
            } else {
                Tone::Good
            };
            let (first, more) = self.mail_words(mail);
            text += &self.row("Mail", tone, &first, &more);
        }
        text + &self.row("Service", Tone::Bold, &facts.service, &[])
    }

    fn mail_words(&self, mail: &MailFacts) -> (String, Vec<String>) {
        let mut states = Vec::new();
        if mail.waiting > 0 {
            let since = mail
                .oldest
                .map(|at| format!(", oldest {}", age(at, self.now)));
            let since = since.unwrap_or_default();
            states.push(format!(
                "{} waiting{since}",
                counted(mail.waiting, "mail", "mails")
            ));
        }
        if mail.undelivered > 0 {
            states.push(format!(
                "{} NOT DELIVERED",
                counted(mail.undelivered, "mail", "mails")
            ));
        }
        if states.is_empty() {
            states.push("nothing waiting".to_owned());
        }
        let mut more = Vec::new();
        if let Some(at) = mail.next_try {
            more.push(format!("next try {}", time(at, self.zone)));
        }
        more.extend(
            mail.last_error
                .as_ref()
                .map(|error| format!("last error: {error}")),
        );
        if mail.undelivered > 0 {
            more.push(format!("undelivered mail lies in {}", mail.folder));
        }
        more.extend(mail.warnings.iter().cloned());
        (states.join(", "), more)
    }
}

#[cfg(test)]
#[path = "status_text_tests.rs"]
mod tests;
