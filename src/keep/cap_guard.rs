//! A cap that was lowered by hand, or a night that grew beyond all measure, must not take most of a history away before
//! anybody has looked.

use super::enforce_cap;
use super::space_map::SpaceMap;
use crate::jobs::Size;
use crate::record::Decision;
use jiff::Timestamp;

/// Whether a person has agreed to whatever the cap retires.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Consent {
    /// No more than half of what the rules keep may go at once.
    UpToHalf,
    /// `--accept-retiring`: the person has looked.
    Given,
}

/// The cap would retire more at once than goes without consent; none was decided to go.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct HeldBack {
    pub generations: usize,
    /// Of so many that the rules keep.
    pub of: usize,
    pub cap: Size,
    /// What those that the rules keep take.
    pub in_use: Size,
}

/// Enforces the cap on what the rules keep, unless that needs consent that was not given.
pub fn enforce_with_consent(
    by_rules: &[Decision],
    space: &SpaceMap,
    cap: Size,
    now: Timestamp,
    consent: Consent,
) -> (Vec<Decision>, Option<HeldBack>) {
    let kept = |decisions: &[Decision]| decisions.iter().filter(|one| one.kept).count();
    let capped = enforce_cap(by_rules.to_owned(), space, cap, now);
    let (of, left) = (kept(by_rules), kept(&capped));
    let generations = of - left;
    if consent == Consent::Given || generations * 2 <= of {
        return (capped, None);
    }
    let stay = by_rules.iter().filter(|one| one.kept);
    let held = HeldBack {
        generations,
        of,
        cap,
        in_use: space.use_of(&stay.map(|one| one.generation).collect()),
    };
    let mut decisions = capped;
    for decision in &mut decisions {
        let by_rule = by_rules
            .iter()
            .find(|one| one.generation == decision.generation);
        if let Some(by_rule) = by_rule.filter(|one| one.kept && !decision.kept) {
            decision.kept = true;
            decision.why = format!(
                "{}; {}: held back until you agree",
                by_rule.why, decision.why
            );
        }
    }
    (decisions, Some(held))
}

impl HeldBack {
    /// What happened, for a person.
    pub fn words(&self) -> String {
        format!(
            "what is kept takes {}, over the cap of {}: {} of {} generations would be retired at once; none was",
            self.in_use, self.cap, self.generations, self.of
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::GenerationName;

    fn now() -> Timestamp {
        "2026-11-25T03:00:00Z".parse().expect("an RFC 3339 time")
    }

    /// Ten nights of 100 bytes each.
    fn ten_nights() -> (Vec<Decision>, SpaceMap) {
        let mut space = SpaceMap::default();
        let mut decisions = Vec::new();
        for days in 0..10 {
            let ago = jiff::SignedDuration::from_hours(24 * days);
            let generation = GenerationName::at(now() - ago);
            space.add([generation], 100);
            decisions.push(Decision {
                generation,
                kept: true,
                why: "kept by a rule".to_owned(),
            });
        }
        (decisions, space)
    }

    #[test]
    fn up_to_half_go_without_asking_and_more_only_with_consent() {
        for (cap, consent, left, held) in [
            (1000, Consent::UpToHalf, 10, false),
            (500, Consent::UpToHalf, 5, false),
            (499, Consent::UpToHalf, 10, true),
            (0, Consent::UpToHalf, 10, true),
            (499, Consent::Given, 4, false),
            (0, Consent::Given, 1, false),
        ] {
            let (decisions, space) = ten_nights();
            let (after, told) = enforce_with_consent(&decisions, &space, Size(cap), now(), consent);
            let kept = after.iter().filter(|one| one.kept).count();
            assert_eq!((kept, told.is_some()), (left, held), "{cap} {consent:?}");
        }
    }

    #[test]
    fn what_is_held_back_is_told_with_what_would_go() {
        let (decisions, space) = ten_nights();
        let (after, told) =
            enforce_with_consent(&decisions, &space, Size(200), now(), Consent::UpToHalf);
        let words = told.expect("held back").words();
        assert_eq!(
            words,
            "what is kept takes 1 kB, over the cap of 200 bytes: 8 of 10 generations would be retired at once; none was"
        );
        let asked = after
            .iter()
            .filter(|one| one.why.ends_with("held back until you agree"));
        assert_eq!(asked.count(), 8);
    }
}
