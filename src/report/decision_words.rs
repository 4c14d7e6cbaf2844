//! What retention kept and retired after a run, in words.

use jiff::tz::TimeZone;

use crate::record::Decision;

use super::amounts::date;
use super::run_words::{Block, Detail, Section, section};
use super::safe_text::safe_line;

/// What was retired line by line, what is kept folded by reason.
pub(super) fn decisions(
    decisions: &[Decision],
    zone: &TimeZone,
    detail: Detail,
) -> Option<Section> {
    let (kept, retired): (Vec<_>, Vec<_>) = decisions.iter().partition(|d| d.kept);
    let each = |word: &str, decision: &Decision| {
        format!(
            "{word} {}: {}",
            decision.generation,
            safe_line(&decision.why)
        )
    };
    let mut lines: Vec<_> = retired.iter().map(|d| each("retired", d)).collect();
    match detail {
        Detail::Full => lines.extend(kept.iter().map(|d| each("kept", d))),
        Detail::Mail => lines.extend(kept_by_reason(&kept, zone)),
    }
    let title = format!("Kept {} and retired {}", kept.len(), retired.len());
    (!lines.is_empty()).then(|| section(&title, Block::Bullets(lines)))
}

fn kept_by_reason(kept: &[&Decision], zone: &TimeZone) -> Vec<String> {
    let mut groups: Vec<(&str, Vec<&Decision>)> = Vec::new();
    for decision in kept {
        match groups.iter_mut().find(|(why, _)| *why == decision.why) {
            Some((_, group)) => group.push(decision),
            None => groups.push((&decision.why, vec![decision])),
        }
    }
    let day = |decision: &Decision| date(decision.generation.instant(), zone);
    let worded = groups.iter().map(|(why, group)| match group.as_slice() {
        [one] => format!("kept {}: {}", one.generation, safe_line(why)),
        [first, .., last] => format!(
            "kept {}, {} to {}: {}",
            group.len(),
            day(last),
            day(first),
            safe_line(why)
        ),
        [] => String::new(),
    });
    worded.collect()
}
