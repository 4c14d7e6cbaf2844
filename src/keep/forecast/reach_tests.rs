//! The foretold reach, held against nights on which files are replaced at random and the cap is enforced.

use std::collections::BTreeSet;

use jiff::SignedDuration;

use super::*;
use crate::jobs::Size;
use crate::keep::{SpaceMap, enforce_cap};
use crate::record::Decision;

const GB: u64 = 1_000_000_000;
const FILES: usize = 100;
/// Chosen each night to be replaced; some twice.
const CHOSEN: usize = 2;
/// After so many nights the forecast is made, and after so many more the reach is as the cap lets it be.
const KNOWN: i64 = 60;
const LATER: i64 = 150;

fn night(number: i64) -> Timestamp {
    "2026-11-25T02:30:00Z".parse::<Timestamp>().expect("a time")
        + SignedDuration::from_hours(24 * number)
}

/// Files of 1 GB, and the content of each that some generation still holds: since which night, until which.
struct Studio {
    files: Vec<i64>,
    past: Vec<(i64, i64)>,
    generations: BTreeSet<i64>,
    state: u64,
}

/// Which goes when the cap is reached.
#[derive(Clone, Copy)]
enum Goes {
    Oldest,
    LeastValuable,
}

/// Which files are replaced.
#[derive(Clone, Copy)]
enum Chosen {
    Any,
    /// Half of them among the first ten, as a mailbox or a database is.
    FewMostly,
}

impl Studio {
    fn new() -> Self {
        Self {
            files: vec![0; FILES],
            past: Vec::new(),
            generations: BTreeSet::new(),
            state: 0x9e37_79b9_7f4a_7c15,
        }
    }

    /// xorshift64 (Marsaglia, 2003).
    fn random(&mut self, below: usize) -> usize {
        self.state ^= self.state << 13;
        self.state ^= self.state >> 7;
        self.state ^= self.state << 17;
        usize::try_from(self.state % below as u64).expect("a small number")
    }

    /// Gives how many files were new.
    fn work(&mut self, tonight: i64, chosen: Chosen) -> u64 {
        let of = |number: usize| match chosen {
            Chosen::FewMostly if number.is_multiple_of(2) => 10,
            _ => FILES,
        };
        let replaced: BTreeSet<usize> = (0..CHOSEN).map(|number| self.random(of(number))).collect();
        for file in &replaced {
            self.past.push((self.files[*file], tonight));
            self.files[*file] = tonight;
        }
        replaced.len() as u64
    }

    fn space(&self) -> SpaceMap {
        let mut space = SpaceMap::default();
        let owners = |from: i64, until: i64| {
            let nights = self.generations.range(from..until);
            nights.map(|number| GenerationName::at(night(*number)))
        };
        for (from, until) in &self.past {
            let owners: Vec<_> = owners(*from, *until).collect();
            if !owners.is_empty() {
                space.add(owners, GB);
            }
        }
        for from in &self.files {
            space.add(owners(*from, i64::MAX), GB);
        }
        space
    }

    fn enforce(&mut self, cap: u64, tonight: i64, goes: Goes) {
        match goes {
            Goes::Oldest => {
                while self.space().total().bytes() > cap {
                    self.generations.pop_first();
                }
            }
            Goes::LeastValuable => {
                let all: Vec<i64> = self.generations.iter().copied().collect();
                let decisions = all.iter().map(|number| Decision {
                    generation: GenerationName::at(night(*number)),
                    kept: true,
                    why: String::new(),
                });
                let (space, now) = (self.space(), night(tonight));
                let decided = enforce_cap(decisions.collect(), &space, Size(cap), now);
                let kept: BTreeSet<GenerationName> = decided
                    .into_iter()
                    .filter(|decision| decision.kept)
                    .map(|decision| decision.generation)
                    .collect();
                self.generations
                    .retain(|number| kept.contains(&GenerationName::at(night(*number))));
            }
        }
        let generations = &self.generations;
        self.past
            .retain(|(from, until)| generations.range(*from..*until).next().is_some());
    }
}

/// What was foretold after [`KNOWN`] nights, and the least reach of the last fifty nights, in days.
fn foretold_and_found(times: u64, goes: Goes, chosen: Chosen) -> (Estimate, f64) {
    let cap = times * FILES as u64 * GB;
    let mut studio = Studio::new();
    let mut series = JobSeries::new(Holding::Differences);
    let mut foretold = None;
    let mut least = i64::MAX;
    for tonight in 0..KNOWN + LATER {
        let new = if tonight == 0 {
            FILES as u64
        } else {
            studio.work(tonight, chosen)
        };
        studio.generations.insert(tonight);
        studio.enforce(cap, tonight, goes);
        series.add(JobFigures {
            at: night(tonight),
            source: FILES as u64 * GB,
            new: new * GB,
        });
        if tonight == KNOWN {
            let names = studio.generations.iter();
            let names: Vec<_> = names
                .map(|number| GenerationName::at(night(*number)))
                .collect();
            let situation = Situation {
                now: night(tonight),
                rules: &[],
                cap: Some(cap),
                used: Some(studio.space().total().bytes()),
                room: None,
                generations: &names,
                wanted: None,
            };
            foretold = HistoryOutlook::of(&series, &situation).reach;
        }
        if tonight > KNOWN + LATER - 50 {
            least = least.min(tonight - studio.generations.first().expect("the newest at least"));
        }
    }
    let foretold = foretold.expect("a forecast");
    assert_eq!(foretold.limit, Limit::Cap);
    let least = i32::try_from(least).expect("days");
    (foretold.days, f64::from(least))
}

#[test]
fn where_the_oldest_goes_first_history_reaches_as_far_as_foretold() {
    for times in [2, 3] {
        let (foretold, found) = foretold_and_found(times, Goes::Oldest, Chosen::Any);
        println!("cap {times} times the source: {foretold:?}, found {found}");
        assert!(
            (foretold.likely - found).abs() <= 2.0,
            "{foretold:?} {found}"
        );
    }
}

#[test]
fn by_the_rule_of_value_history_reaches_at_least_as_far_as_foretold() {
    for chosen in [Chosen::Any, Chosen::FewMostly] {
        let (foretold, found) = foretold_and_found(2, Goes::LeastValuable, chosen);
        println!("cap twice the source: {foretold:?}, found {found}");
        assert!(found >= foretold.likely - 2.0, "{foretold:?} {found}");
    }
}
