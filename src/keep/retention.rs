//! `[[keep]]` rules applied to a list of whole generations.
//!
//! Each rule keeps the newest generation of every period of `every`, among those younger than `for`.
//! What any rule keeps is kept. The newest generation is always kept, and so is one that says it is
//! from the future, because then the clock is wrong and age means nothing.

use std::collections::{BTreeSet, HashSet};

use jiff::{Timestamp, tz::TimeZone};

use super::period::{Period, before, span_words};
use crate::jobs::KeepRule;
use crate::record::{Decision, GenerationName};

/// Decide for every generation, newest first. Without rules all are kept.
///
/// `generations` are the names of whole ones only, in any order; `zone` is where days begin.
pub fn decide(
    rules: &[KeepRule],
    generations: &[GenerationName],
    now: Timestamp,
    zone: &TimeZone,
) -> Vec<Decision> {
    let mut judges: Vec<Judge> = rules
        .iter()
        .map(|rule| Judge::new(*rule, now, zone))
        .collect();
    let names: BTreeSet<GenerationName> = generations.iter().copied().collect();
    let mut newest_seen = false;
    names
        .into_iter()
        .rev()
        .map(|generation| {
            if generation.instant() > now {
                return keep(
                    generation,
                    "from the future: the clock was set back".to_owned(),
                );
            }
            let verdicts = Verdicts::of(&mut judges, generation.instant(), zone);
            if !newest_seen {
                newest_seen = true;
                keep(generation, "newest".to_owned())
            } else if rules.is_empty() {
                keep(generation, "the job has no keep rules".to_owned())
            } else {
                verdicts.decision(generation, rules, zone.to_datetime(now).year())
            }
        })
        .collect()
}

fn keep(generation: GenerationName, why: String) -> Decision {
    Decision {
        generation,
        kept: true,
        why,
    }
}

/// One rule at work: it is shown generations from the newest to the oldest.
struct Judge {
    rule: KeepRule,
    /// A generation must be younger than this; `None` when the span reaches before the calendar.
    since: Option<Timestamp>,
    taken: HashSet<i64>,
}

enum Verdict {
    Keep(Period),
    Superseded(Period),
    TooOld,
}

impl Judge {
    fn new(rule: KeepRule, now: Timestamp, zone: &TimeZone) -> Self {
        Self {
            rule,
            since: before(now, rule.span, zone),
            taken: HashSet::new(),
        }
    }

    fn judge(&mut self, instant: Timestamp, zone: &TimeZone) -> Verdict {
        if self.since.is_some_and(|since| instant <= since) {
            return Verdict::TooOld;
        }
        let period = Period::of(instant, self.rule.every, zone);
        if self.taken.insert(period.number()) {
            Verdict::Keep(period)
        } else {
            Verdict::Superseded(period)
        }
    }
}

/// What every rule says of one generation.
struct Verdicts(Vec<(KeepRule, Verdict)>);

impl Verdicts {
    fn of(judges: &mut [Judge], instant: Timestamp, zone: &TimeZone) -> Self {
        let each = judges
            .iter_mut()
            .map(|judge| (judge.rule, judge.judge(instant, zone)));
        Self(each.collect())
    }

    fn decision(&self, generation: GenerationName, rules: &[KeepRule], year: i16) -> Decision {
        let reasons: Vec<String> = self
            .0
            .iter()
            .filter_map(|(rule, verdict)| match verdict {
                Verdict::Keep(period) => Some(format!(
                    "last of {} ({} for {})",
                    period.words(year),
                    span_words(rule.every),
                    span_words(rule.span),
                )),
                _ => None,
            })
            .collect();
        if reasons.is_empty() {
            Decision {
                generation,
                kept: false,
                why: self.why_not(rules, year),
            }
        } else {
            keep(generation, reasons.join("; "))
        }
    }

    /// The finest rule that still reaches back this far says which newer one stands for the period.
    fn why_not(&self, rules: &[KeepRule], year: i16) -> String {
        let finest = self
            .0
            .iter()
            .filter_map(|(rule, verdict)| match verdict {
                Verdict::Superseded(period) => Some((rule.every.seconds(), period)),
                _ => None,
            })
            .min_by_key(|(seconds, _)| *seconds);
        if let Some((_, period)) = finest {
            return format!("a newer one stands for {}", period.words(year));
        }
        let longest = rules.iter().max_by_key(|rule| rule.span.seconds());
        longest.map_or_else(String::new, |rule| {
            format!("no rule keeps it: older than {}", span_words(rule.span))
        })
    }
}

#[cfg(test)]
#[path = "retention_tests.rs"]
mod tests;
