//! `hayloft forecast`: what needs a person first, then drives and jobs.

use jiff::{Timestamp, tz::TimeZone};

use super::amounts::{bytes, counted, date_time};
use super::forecast_facts::{DriveForecast, ForecastFacts, JobForecast};
use super::forecast_words::{
    amount, amounts, full_line, length, lengths, rate, reserve_line, rests_on, too_little,
};
use super::safe_text::{safe_line, width};
use super::wrap::wrap;
use super::{Style, Tone};
use crate::keep::forecast::{
    AskedBy, HistoryOutlook, Holding, LEVEL, Limit, Outlook, Reach, Reckoned, Wanted,
};

const HANG: &str = "    ";

/// Every line fits `columns`.
pub fn forecast_text(
    facts: &ForecastFacts,
    zone: &TimeZone,
    columns: usize,
    style: Style,
) -> String {
    let mut text = heading(facts, &date_time(facts.now, zone), columns, style);
    if !facts.attention.is_empty() {
        text += "\n";
    }
    for line in &facts.attention {
        let wrapped = wrap(&safe_line(line), "  ! ", HANG, columns);
        text.extend(
            wrapped
                .lines()
                .map(|line| style.paint(Tone::Bad, line) + "\n"),
        );
    }
    text += "\n";
    let caution = format!(
        "An interval, in brackets, holds what comes {LEVEL} times in 100, if things go on as they did."
    );
    text += &wrap(&caution, "", "", columns);
    let page = Page { columns, style };
    if !facts.drives.is_empty() {
        text += &page.title("Drives");
    }
    for drive in &facts.drives {
        text += &page.entry(drive.name.as_str(), &drive_lines(drive, facts.now));
    }
    if !facts.jobs.is_empty() {
        text += &page.title("History");
    }
    for job in &facts.jobs {
        text += &page.entry(job.name.as_str(), &job_lines(job));
    }
    text
}

fn heading(facts: &ForecastFacts, when: &str, columns: usize, style: Style) -> String {
    let is_known = |drive: &DriveForecast| drive.filling.outlook != Outlook::TooLittleKnown;
    let (tone, state) = match facts.attention.len() as u64 {
        0 if !facts.drives.iter().any(is_known) => {
            (Tone::Bold, "too little is known yet".to_owned())
        }
        0 => (Tone::Good, "no drive is soon short of space".to_owned()),
        many => (
            Tone::Bad,
            format!(
                "{} SOON SHORT OF SPACE",
                counted(many, "drive is", "drives are")
            ),
        ),
    };
    let server = facts.server.as_str();
    let mut text = style.paint(Tone::Bold, server) + ":";
    let mut column = width(server) + 1;
    for (tone, part) in [(Some(tone), format!("{state},")), (None, when.to_owned())] {
        let fits = column + 1 + width(&part) <= columns;
        column = if fits { column + 1 } else { 0 } + width(&part);
        text.push(if fits { ' ' } else { '\n' });
        text += &tone.map_or_else(|| part.clone(), |tone| style.paint(tone, &part));
    }
    text + "\n"
}

struct Page {
    columns: usize,
    style: Style,
}

impl Page {
    fn title(&self, text: &str) -> String {
        format!("\n{}\n", self.style.paint(Tone::Bold, text))
    }

    fn entry(&self, name: &str, lines: &[String]) -> String {
        let wrapped = lines
            .iter()
            .map(|line| wrap(&safe_line(line), HANG, "      ", self.columns));
        format!("  {}\n", self.style.paint(Tone::Bold, name)) + &wrapped.collect::<String>()
    }
}

fn drive_lines(drive: &DriveForecast, now: Timestamp) -> Vec<String> {
    let filling = &drive.filling;
    let mut lines = vec![full_line(filling, now)];
    if matches!(filling.outlook, Outlook::Fills | Outlook::AtReserve) && drive.reserve > 0 {
        lines.push(reserve_line(drive, now));
    }
    if let Some(per_day) = filling.per_day {
        lines.push(format!("{}; {}", rate(per_day), rests_on(filling.basis)));
    }
    if let Some(space) = drive.space {
        lines.push(format!(
            "{} free of {} after its last run",
            bytes(space.free),
            bytes(space.total)
        ));
    }
    lines
}

fn job_lines(job: &JobForecast) -> Vec<String> {
    let history = &job.history;
    let now = match history.reach_now {
        Some(days) => format!(
            "reaches back {} now, with {}",
            length(days),
            counted(history.generations as u64, "copy", "copies")
        ),
        None => "there is no copy yet".to_owned(),
    };
    let mut lines = vec![now];
    let Some(reach) = history.reach else {
        lines.push(format!(
            "how far it will reach: {}",
            too_little(history.basis)
        ));
        lines.extend(common_practice(history));
        return lines;
    };
    lines.push(reach_line(reach));
    lines.extend(source_line(history));
    lines.extend(history.wanted.map(|wanted| cap_line(history, wanted)));
    lines.extend(history.wanted.and_then(beyond_rules));
    lines.extend(common_practice(history));
    lines.push(rests_on(history.basis));
    lines
}

fn reach_line(reach: Reach) -> String {
    let far = lengths(reach.days);
    match reach.limit {
        Limit::KeepRules => format!("will reach back {far}: the keep rules end there"),
        Limit::Cap => format!("will reach back {far}: the cap holds no more"),
        Limit::Drive => format!("will reach back {far}: the drive holds no more"),
        Limit::None => format!("will reach back {far}: nothing ends it before"),
    }
}

fn source_line(history: &HistoryOutlook) -> Option<String> {
    let (copy, growth) = (history.copy?, history.copy_growth?);
    Some(match (history.holds, history.changes) {
        (Holding::Differences, Some(changes)) => format!(
            "{} new or changed a day; the source, {}, {}",
            amounts(changes),
            amount(copy),
            rate(growth)
        ),
        _ => format!("one copy takes {}, and {}", amount(copy), rate(growth)),
    })
}

fn cap_line(history: &HistoryOutlook, wanted: Wanted) -> String {
    let why = match wanted.asked_by {
        AskedBy::Hand => "asked for",
        AskedBy::KeepRules => "by the keep rules",
    };
    let has = match history.cap {
        Some(cap) => format!("it has {}", bytes(cap)),
        None => "it has none".to_owned(),
    };
    let bound = match (history.holds, wanted.reckoned_from) {
        (Holding::Differences, Reckoned::Changes) => "at most",
        _ => "about",
    };
    format!(
        "for {}, {why}, it needs a cap of {bound} {}; {has}",
        length(wanted.days),
        amounts(wanted.needed_cap)
    )
}

fn beyond_rules(wanted: Wanted) -> Option<String> {
    let words = "the keep rules retire all that is older than they reach: they would have to reach so far too";
    wanted.is_beyond_rules.then(|| words.to_owned())
}

fn common_practice(history: &HistoryOutlook) -> Option<String> {
    let cap = history.common_practice_cap?;
    let words = "common practice, no source: a cap of at least twice the source";
    Some(format!("{words}, here {}, gives months", amount(cap)))
}

#[cfg(test)]
#[path = "forecast_text_tests.rs"]
mod tests;
