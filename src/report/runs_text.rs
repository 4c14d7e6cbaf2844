//! `hayloft runs`: past runs, one a line, newest first as they come.

use jiff::tz::TimeZone;

use crate::record::{RunRecord, Task};

use super::amounts::{between, bytes};
use super::run_words::short_time;
use super::safe_text::{fit, safe_line, truncate, width};
use super::{Mood, Style, Tone, Verdict, proof_words};

/// Ids longer than this get a line of their own.
const LONGEST_ID: usize = 34;
const WHEN: usize = 12;
const COLUMNS: usize = 80;

/// A table for 80 columns: id, start in the server's zone, how it went.
pub fn runs_text(runs: &[RunRecord], zone: &TimeZone, style: Style) -> String {
    if runs.is_empty() {
        return "no runs recorded yet\n".to_owned();
    }
    let ids = runs.iter().map(|run| width(&safe_line(&run.id)));
    let id_width = ids.filter(|id| *id <= LONGEST_ID).max().unwrap_or(2);
    let heading = format!(
        "{}  {}  How it went",
        fit("Run", id_width),
        fit("Started", WHEN)
    );
    let mut text = style.paint(Tone::Bold, &heading) + "\n";
    for run in runs {
        text += &row(run, id_width, zone, style);
    }
    text
}

fn row(run: &RunRecord, id_width: usize, zone: &TimeZone, style: Style) -> String {
    let id = safe_line(&run.id);
    let id = if width(&id) > id_width {
        format!("{id}\n{}", " ".repeat(id_width))
    } else {
        fit(&id, id_width)
    };
    let verdict = Verdict::of(run.outcome);
    let words = truncate(&how_it_went(run, verdict), COLUMNS - id_width - WHEN - 4);
    format!(
        "{id}  {}  {}\n",
        fit(&short_time(run.started, zone), WHEN),
        style.paint(verdict.tone(), &words)
    )
}

fn how_it_went(run: &RunRecord, verdict: Verdict) -> String {
    if run.task != Task::Copy {
        return proof_words::in_short(run);
    }
    let words = verdict.words();
    match verdict.mood {
        Mood::Good | Mood::Noted => {
            let took = run.ended.map(|ended| between(run.started, ended));
            let new = run.changes.map(|c| format!("{} new", bytes(c.new_bytes)));
            let parts = [Some(words), took, new];
            parts.into_iter().flatten().collect::<Vec<_>>().join(", ")
        }
        Mood::Bad if verdict.detail.is_none() && !run.reason.is_empty() => {
            format!("{words}: {}", safe_line(&run.reason))
        }
        Mood::Bad | Mood::Open => words,
    }
}

#[cfg(test)]
mod tests {
    use super::super::sample_runs::{failed, good, held_back, lisbon};
    use super::*;

    #[test]
    fn past_runs_fit_into_eighty_columns() {
        let mut long = good();
        long.job = super::super::sample_runs::name(&"j".repeat(64));
        long.id = format!("20261123T023000Z-{}", long.job);
        long.outcome = None;
        let text = runs_text(
            &[good(), failed(), held_back(), long],
            &lisbon(),
            Style::Plain,
        );
        assert_eq!(
            text,
            "\
Run                            Started       How it went
20261125T023000Z-studio-files  25 Nov 02:30  well, 4 min 10 s, 1.2 GB new
20261125T023000Z-studio-files  25 Nov 02:30  FAILED: rsync ended with exit stat…
20261125T023000Z-studio-files  25 Nov 02:30  HELD BACK: too much would change
20261123T023000Z-jjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjjj
                               25 Nov 02:30  running
"
        );
    }

    #[test]
    fn an_empty_record_says_so() {
        assert_eq!(
            runs_text(&[], &lisbon(), Style::Plain),
            "no runs recorded yet\n"
        );
    }
}
