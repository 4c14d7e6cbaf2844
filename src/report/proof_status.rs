//! When copies were looked at last, and how far re-reading a drive has come: lines of the status.

use jiff::{Timestamp, tz::TimeZone};

use super::amounts::{age, between, date, time};
use super::status_facts::{JobStatus, RereadStatus, RoundStatus};
use crate::record::ProofKind;

/// `last verified 3 days ago: well`; nothing for a job that has no copy to look at.
pub(super) fn verified(job: &JobStatus, now: Timestamp) -> Option<String> {
    let Some(verified) = &job.verified else {
        return job.last_good.map(|_| "never verified".to_owned());
    };
    let how = match verified.kind {
        ProofKind::Verify => "last verified",
        ProofKind::Sample => "a sample last verified",
        ProofKind::Slice => "a part last re-read",
    };
    let result = if verified.open.is_empty() {
        "well"
    } else {
        "DAMAGE FOUND"
    };
    Some(format!("{how} {}: {result}", age(verified.at, now)))
}

/// `last rehearsed 3 days ago: well`; nothing for a kind that cannot be rehearsed.
pub(super) fn rehearsed(job: &JobStatus, now: Timestamp) -> Option<String> {
    if !job.kind.has_service() || job.last_good.is_none() {
        return None;
    }
    let Some(last) = &job.rehearsed else {
        return Some("never rehearsed".to_owned());
    };
    let result = if last.outcome.is_well() {
        "well"
    } else {
        "FAILED"
    };
    Some(format!("last rehearsed {}: {result}", age(last.ended, now)))
}

/// `every byte re-read within the last 61 days`, and how far the round is.
pub(super) fn reread(reread: &RereadStatus, zone: &TimeZone, now: Timestamp) -> Vec<String> {
    let next = reread
        .next
        .map(|next| format!("; next part {}", time(next, zone)))
        .unwrap_or_default();
    let Some(round) = &reread.round else {
        return vec![format!(
            "to be re-read within {}, not begun yet{next}",
            reread.within
        )];
    };
    vec![
        so_far(round, now),
        format!("{}{next}", this_round(round, zone)),
    ]
}

fn so_far(round: &RoundStatus, now: Timestamp) -> String {
    let since = round
        .since
        .map(|since| format!("within the last {}", between(since, now)));
    match (percent(round.never), since) {
        (None, Some(since)) => format!("every byte re-read {since}"),
        (None, None) => "nothing to re-read".to_owned(),
        (Some(never), Some(since)) => {
            format!("{never} never re-read, the rest {since}")
        }
        (Some(never), None) => format!("{never} never re-read"),
    }
}

fn this_round(round: &RoundStatus, zone: &TimeZone) -> String {
    match round.finished {
        Some(finished) => format!("this round was through on {}", date(finished, zone)),
        None => format!(
            "{} of this round done, to be through by {}",
            percent(round.done).unwrap_or_else(|| "0 %".to_owned()),
            date(round.due, zone)
        ),
    }
}

/// Whole percent; a little is not nothing, and not quite all is not all.
fn percent(share: f64) -> Option<String> {
    if share <= 0.0 {
        return None;
    }
    if share < 1.0 {
        return Some(format!("{:.0} %", (share * 100.0).round().clamp(1.0, 99.0)));
    }
    Some("100 %".to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str) -> Timestamp {
        text.parse().unwrap()
    }

    fn round(never: f64, since: Option<&str>) -> RoundStatus {
        RoundStatus {
            started: at("2026-11-01T04:00:00Z"),
            due: at("2027-01-31T04:00:00Z"),
            finished: None,
            is_late: false,
            files: 1,
            bytes: 1,
            done: 0.384,
            never,
            since: since.map(at),
        }
    }

    #[test]
    fn the_words_say_how_old_the_oldest_reading_is_and_what_was_never_read() {
        let now = at("2026-12-01T04:00:00Z");
        let words = |never, since| so_far(&round(never, since), now);
        assert_eq!(
            words(0.0, Some("2026-10-01T04:00:00Z")),
            "every byte re-read within the last 61 days"
        );
        assert_eq!(
            words(0.12, Some("2026-10-01T04:00:00Z")),
            "12 % never re-read, the rest within the last 61 days"
        );
        assert_eq!(words(0.0001, None), "1 % never re-read");
        assert_eq!(words(0.9999, None), "99 % never re-read");
        assert_eq!(words(1.0, None), "100 % never re-read");
        assert_eq!(
            this_round(&round(0.0, None), &TimeZone::UTC),
            "38 % of this round done, to be through by 31 Jan 2027"
        );
    }
}
