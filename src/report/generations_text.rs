//! `hayloft generations JOB`: what is kept, its size alone and shared, and why.

use jiff::{Timestamp, tz::TimeZone};
use serde::Serialize;

use crate::record::{Decision, Generation, State};

use super::amounts::{age, bytes, count};
use super::run_words::short_time;
use super::safe_text::{fit, safe_line};
use super::wrap::wrap;
use super::{Style, Tone};

/// One generation with what was found out about it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct GenerationFacts {
    pub generation: Generation,
    /// Bytes that only this generation holds: what retiring it would free.
    pub alone: Option<u64>,
    /// Bytes that other generations hold as well.
    pub shared: Option<u64>,
    /// Whether it has a manifest to be verified with; none where the drive is not there.
    pub has_manifest: Option<bool>,
    pub decision: Option<Decision>,
    /// Its place among those that are kept, in the order in which the cap would retire them; from 1.
    pub turn: Option<usize>,
}

/// A table for 80 columns, a line for the figures and one for the reason.
pub fn generations_text(
    generations: &[GenerationFacts],
    now: Timestamp,
    zone: &TimeZone,
    style: Style,
) -> String {
    if generations.is_empty() {
        return "no generations yet\n".to_owned();
    }
    let heading = row([
        "Generation",
        "Begun",
        "Age",
        "Files",
        "Size",
        "Alone",
        "Shared",
    ]);
    let mut text = style.paint(Tone::Bold, heading.trim_end()) + "\n";
    for facts in generations {
        text += &figures(facts, now, zone);
        for line in reason(facts) {
            let wrapped = wrap(&line, "    ", "    ", 80);
            text.extend(
                wrapped
                    .lines()
                    .map(|line| style.paint(Tone::Dim, line) + "\n"),
            );
        }
    }
    text
}

fn figures(facts: &GenerationFacts, now: Timestamp, zone: &TimeZone) -> String {
    let generation = &facts.generation;
    let began = generation.name.instant();
    let measured = |amount: Option<u64>| amount.map_or("-".to_owned(), bytes);
    let line = row([
        &generation.name.to_string(),
        &short_time(began, zone),
        age(began, now).trim_end_matches(" ago"),
        &count(generation.files),
        &bytes(generation.bytes),
        &measured(facts.alone),
        &measured(facts.shared),
    ]);
    line.trim_end().to_owned() + "\n"
}

/// Two columns of words, then figures flush right.
fn row(cells: [&str; 7]) -> String {
    let [name, begun, age, files, size, alone, shared] = cells;
    format!(
        "{} {} {} {files:>9} {size:>9} {alone:>9} {shared:>9}",
        fit(name, 16),
        fit(begun, 12),
        fit(age, 10),
    )
}

fn reason(facts: &GenerationFacts) -> Vec<String> {
    let state = match facts.generation.state {
        State::Whole => None,
        State::Updating => Some("NOT WHOLE: being updated, or its update was cut short".to_owned()),
        State::Retired => Some("retired".to_owned()),
    };
    let decision = facts.decision.as_ref().map(|decision| {
        let word = if decision.kept {
            "kept"
        } else {
            "to be retired"
        };
        format!("{word}: {}", safe_line(&decision.why))
    });
    let first = facts.turn == Some(1);
    let first = first.then(|| "the first to go when the cap needs room".to_owned());
    let unproven = facts.has_manifest == Some(false) && facts.generation.state == State::Whole;
    let unproven = unproven.then(|| "no manifest: it cannot be verified".to_owned());
    let words = state.into_iter().chain(unproven).chain(decision);
    words.chain(first).collect()
}

#[cfg(test)]
mod tests {
    use std::path::PathBuf;

    use crate::jobs::KindName;
    use crate::record::{Form, GenerationName};

    use super::super::sample_runs::{lisbon, name};
    use super::*;

    fn facts(text: &str, state: State, decision: Option<(bool, &str)>) -> GenerationFacts {
        let generation = GenerationName::parse(text).unwrap();
        GenerationFacts {
            generation: Generation {
                name: generation,
                server: name("kiln"),
                job: name("studio-files"),
                kind: KindName::History,
                form: Form::Tree,
                state,
                ended: generation.instant(),
                sources: vec![PathBuf::from("/srv/studio")],
                files: 1_048_211,
                bytes: 345_600_000_000,
                new_bytes: 1_200_000_000,
                run: format!("{text}-studio-files"),
            },
            alone: decision.map(|_| 812),
            shared: decision.map(|_| 344_400_000_000),
            has_manifest: decision.map(|(kept, _)| kept),
            decision: decision.map(|(kept, why)| Decision {
                generation,
                kept,
                why: why.to_owned(),
            }),
            turn: decision.filter(|(kept, _)| *kept).map(|_| 1),
        }
    }

    #[test]
    fn generations_are_listed_with_their_figures_and_the_reason() {
        let list = [
            facts("20261125T023000Z", State::Whole, Some((true, "the newest"))),
            facts(
                "20260701T233000Z",
                State::Whole,
                Some((false, "older than 3 months")),
            ),
            facts("20251125T023000Z", State::Updating, None),
        ];
        let now = "2026-11-25T09:00:00Z".parse().unwrap();
        assert_eq!(
            generations_text(&list, now, &lisbon(), Style::Plain),
            "\
Generation       Begun        Age            Files      Size     Alone    Shared
20261125T023000Z 25 Nov 02:30 6 hours    1,048,211  345.6 GB 812 bytes  344.4 GB
    kept: the newest
    the first to go when the cap needs room
20260701T233000Z  2 Jul 00:30 4 months   1,048,211  345.6 GB 812 bytes  344.4 GB
    no manifest: it cannot be verified
    to be retired: older than 3 months
20251125T023000Z 25 Nov 02:30 12 months  1,048,211  345.6 GB         -         -
    NOT WHOLE: being updated, or its update was cut short
"
        );
    }
}
