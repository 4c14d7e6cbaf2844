//! The ledger against a model that remembers every file of every generation.

use jiff::Timestamp;
use proptest::prelude::*;

use super::*;

fn night(number: usize) -> GenerationName {
    let seconds = 1_800_000_000 + 86_400 * i64::try_from(number).expect("a small number");
    GenerationName::at(Timestamp::from_second(seconds).expect("a time"))
}

/// Each file once, with the generations that have it; folders that only one has.
#[derive(Default, Clone)]
struct Drive {
    files: Vec<(u64, BTreeSet<GenerationName>)>,
    generations: BTreeSet<GenerationName>,
    /// The first generation of each file, retired or not.
    born: Vec<GenerationName>,
    own: BTreeMap<GenerationName, u64>,
}

impl Drive {
    fn measured(&self) -> SpaceMap {
        let mut space = SpaceMap::default();
        for (bytes, owners) in self.files.iter().filter(|(_, owners)| !owners.is_empty()) {
            space.add(owners.iter().copied(), *bytes);
        }
        for (name, bytes) in &self.own {
            space.add([*name], *bytes);
        }
        space
    }

    /// Makes a generation that has all files of the newest but those whose turn in `ends` says so.
    fn night(&mut self, name: GenerationName, ends: &[bool], new: &[u64], own: u64) -> Night {
        let newest = self.generations.last().copied();
        let mut ended: BTreeMap<GenerationName, u64> = BTreeMap::new();
        let in_newest = |owners: &BTreeSet<_>| newest.is_some_and(|one| owners.contains(&one));
        for (number, (bytes, owners)) in self.files.iter_mut().enumerate() {
            if !in_newest(owners) {
                continue;
            }
            if ends.get(number % ends.len().max(1)) == Some(&true) {
                *ended.entry(self.born[number]).or_default() += *bytes;
            } else {
                owners.insert(name);
            }
        }
        for bytes in new {
            self.files.push((*bytes, BTreeSet::from([name])));
            self.born.push(name);
        }
        self.own.insert(name, own);
        self.generations.insert(name);
        Night {
            name,
            ended: ended.into_iter().collect(),
            new_bytes: new.iter().sum(),
            own_bytes: own,
        }
    }

    fn retire(&mut self, gone: &BTreeSet<GenerationName>) {
        for (_, owners) in &mut self.files {
            owners.retain(|owner| !gone.contains(owner));
        }
        self.own.retain(|name, _| !gone.contains(name));
        self.generations.retain(|name| !gone.contains(name));
    }
}

#[derive(Debug, Clone)]
struct Turn {
    ends: Vec<bool>,
    new: Vec<u64>,
    own: u64,
    /// Which of the older ones are retired afterwards, by their place.
    retired: Vec<bool>,
}

fn any_turn() -> impl Strategy<Value = Turn> {
    let ends = prop::collection::vec(any::<bool>(), 1..9);
    let new = prop::collection::vec(0_u64..10_000, 0..6);
    let retired = prop::collection::vec(prop::bool::weighted(0.2), 0..12);
    (ends, new, 0_u64..500, retired).prop_map(|(ends, new, own, retired)| Turn {
        ends,
        new,
        own,
        retired,
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(500))]

    #[test]
    fn it_tells_what_a_measurement_would_after_any_nights_and_retirements(
        turns in prop::collection::vec(any_turn(), 1..25),
        begins in 1_usize..6,
    ) {
        let mut drive = Drive::default();
        let mut ledger: Option<Ledger> = None;
        for (number, turn) in turns.into_iter().enumerate() {
            let told = drive.night(night(number), &turn.ends, &turn.new, turn.own);
            match ledger.as_mut() {
                Some(ledger) => ledger.night(&told).expect("a night that fits"),
                // before this, nights went by without a ledger
                None if number + 1 >= begins => {
                    let own = drive.own[&night(number)];
                    ledger = Ledger::of(&drive.measured(), drive.generations.clone(), own);
                }
                None => {}
            }
            let older = drive.generations.iter().rev().skip(1);
            let gone: BTreeSet<_> = older
                .zip(turn.retired.iter())
                .filter(|(_, gone)| **gone)
                .map(|(name, _)| *name)
                .collect();
            drive.retire(&gone);
            if let Some(ledger) = ledger.as_mut() {
                ledger.retire(&gone);
                prop_assert_eq!(ledger.to_space_map(), drive.measured());
                prop_assert!(ledger.is_of(&drive.generations));
                let text = serde_json::to_string(ledger).expect("JSON");
                let back: Ledger = serde_json::from_str(&text).expect("a ledger");
                prop_assert_eq!(&back, ledger);
            }
        }
    }
}

fn two_nights() -> Ledger {
    let mut space = SpaceMap::default();
    space.add([], 4096);
    space.add([night(1)], 10);
    space.add([night(1), night(2)], 1000);
    space.add([night(2)], 30);
    Ledger::of(&space, [night(1), night(2)], 20).expect("there are generations")
}

#[test]
fn a_night_that_tells_of_more_than_was_there_is_refused_and_changes_nothing() {
    let mut ledger = two_nights();
    let before = ledger.clone();
    let told = |ended| Night {
        name: night(3),
        ended,
        new_bytes: 5,
        own_bytes: 1,
    };
    // 20 of the 30 bytes are folders, which never end with files
    assert_eq!(ledger.night(&told(vec![(night(2), 11)])), Err(Drifted));
    assert_eq!(ledger.night(&told(vec![(night(3), 1)])), Err(Drifted));
    let early = Night {
        name: night(2),
        ..told(Vec::new())
    };
    assert_eq!(ledger.night(&early), Err(Drifted));
    assert_eq!(ledger, before);
    ledger
        .night(&told(vec![(night(2), 10), (night(1), 400)]))
        .expect("it fits");
    assert_eq!(ledger.nights(), 1);
    let space = ledger.to_space_map();
    assert_eq!(space.alone(night(1)).bytes(), 10);
    assert_eq!(space.alone(night(2)).bytes(), 30);
    assert_eq!(space.alone(night(3)).bytes(), 6);
    assert_eq!(space.base().bytes(), 4096);
}

#[test]
fn what_is_shared_around_a_generation_is_never_counted_too_low() {
    let mut space = SpaceMap::default();
    space.add([night(1), night(3)], 100);
    let ledger = Ledger::of(&space, [night(1), night(2), night(3)], 0).expect("a ledger");
    let told = ledger.to_space_map();
    for kept in [vec![1], vec![2], vec![1, 3], vec![1, 2]] {
        let kept: BTreeSet<_> = kept.into_iter().map(night).collect();
        assert!(told.use_of(&kept) >= space.use_of(&kept), "{kept:?}");
    }
}

#[test]
fn without_generations_there_is_nothing_to_tell() {
    assert_eq!(Ledger::of(&SpaceMap::default(), [], 0), None);
}
