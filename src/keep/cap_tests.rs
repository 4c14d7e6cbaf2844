//! The cap by example, and its laws.

use jiff::{SignedDuration, Timestamp};
use proptest::prelude::*;

use super::*;

const NOW: &str = "2026-11-25T03:00:00Z";

fn now() -> Timestamp {
    NOW.parse().expect("an RFC 3339 time")
}

fn night(days_ago: i64) -> GenerationName {
    GenerationName::at(now() - SignedDuration::from_hours(24 * days_ago))
}

fn all_kept(names: impl IntoIterator<Item = GenerationName>) -> Vec<Decision> {
    let decision = |generation| Decision {
        generation,
        kept: true,
        why: "kept by a rule".to_owned(),
    };
    names.into_iter().map(decision).collect()
}

fn kept(decisions: &[Decision]) -> BTreeSet<GenerationName> {
    let kept = decisions.iter().filter(|decision| decision.kept);
    kept.map(|decision| decision.generation).collect()
}

/// Thirty nights that change as much each, of which the cap leaves room for some.
fn left_of_thirty(room: u64) -> Vec<i64> {
    let mut space = SpaceMap::default();
    (0..30).for_each(|days| space.add([night(days)], 100));
    let capped = enforce_cap(
        all_kept((0..30).map(night)),
        &space,
        Size(room * 100),
        now(),
    );
    let left = kept(&capped);
    (0..30)
        .filter(|days| left.contains(&night(*days)))
        .collect()
}

#[test]
fn where_every_night_holds_as_much_the_gaps_widen_with_age_and_the_reach_stays() {
    for room in 5..28 {
        let left = left_of_thirty(room);
        assert_eq!(left.last(), Some(&29), "{left:?}");
        let gaps: Vec<i64> = left.windows(2).map(|pair| pair[1] - pair[0]).collect();
        // as evenly as whole nights allow: no gap is wider than twice that of an older one
        let wider = |(at, gap): (usize, &i64)| gaps[at..].iter().any(|older| *gap > 2 * older);
        assert!(!gaps.iter().enumerate().any(wider), "{left:?}");
    }
}

#[test]
fn night_after_night_under_a_cap_the_reach_is_twice_that_of_oldest_first() {
    let mut left: BTreeSet<i64> = BTreeSet::new();
    let mut reach = Vec::new();
    for tonight in 0..200 {
        let begin = now() - SignedDuration::from_hours(24 * 200);
        let name =
            |number: i64| GenerationName::at(begin + SignedDuration::from_hours(24 * number));
        left.insert(tonight);
        let mut space = SpaceMap::default();
        for number in &left {
            space.add([name(*number)], 100);
        }
        let decisions = all_kept(left.iter().map(|number| name(*number)));
        let after = kept(&enforce_cap(
            decisions,
            &space,
            Size(1200),
            name(tonight).instant(),
        ));
        left.retain(|number| after.contains(&name(*number)));
        reach.push(tonight - left.first().expect("the newest stays"));
    }
    // oldest first, twelve nights reach back eleven
    assert!(reach[50..].iter().all(|nights| *nights >= 22), "{reach:?}");
}

#[test]
fn the_one_that_holds_a_great_deal_alone_goes_before_its_neighbours_and_says_why() {
    let mut space = SpaceMap::default();
    for days in 0..10 {
        let bytes = if days == 6 { 500 } else { 100 };
        space.add([night(days)], bytes * 1_000_000_000);
    }
    let decisions = all_kept((0..10).map(night));
    let capped = enforce_cap(decisions, &space, Size(1_000_000_000_000), now());
    assert_eq!(kept(&capped).len(), 9);
    assert_eq!(
        capped[6].why,
        "over the cap of 1 TB (would take 1.4 TB): missed least for the 500 GB it gives back; \
        leaves a gap of 2 days"
    );
}

#[test]
fn what_gives_nothing_back_goes_only_when_nothing_else_does() {
    let mut space = SpaceMap::default();
    (0..4).for_each(|days| space.add([night(days)], if days == 2 { 0 } else { 100 }));
    let decisions = all_kept((0..4).map(night));
    let order = order_of_going(&decisions, &space, now());
    let order: Vec<_> = order.iter().map(|going| going.generation).collect();
    assert_eq!(order, [night(3), night(1), night(2)]);
    // two that share all they hold: neither gives anything back alone, and yet they make way
    let mut space = SpaceMap::default();
    space.add([night(0)], 100);
    space.add([night(1), night(2)], 100);
    let capped = enforce_cap(all_kept((0..3).map(night)), &space, Size(100), now());
    assert_eq!(kept(&capped), BTreeSet::from([night(0)]));
}

#[test]
fn the_newest_stays_even_when_it_alone_is_over_the_cap_and_says_so() {
    let mut space = SpaceMap::default();
    space.add([night(0)], 1_700_000_000_000);
    space.add([night(1)], 1_000_000_000);
    let capped = enforce_cap(
        all_kept([night(1), night(0)]),
        &space,
        Size(1_500_000_000_000),
        now(),
    );
    assert_eq!(kept(&capped), BTreeSet::from([night(0)]));
    assert_eq!(
        capped[0].why,
        "kept by a rule; what must stay takes 1.7 TB, over the cap of 1.5 TB"
    );
}

#[test]
fn a_generation_from_the_future_does_not_push_out_the_real_newest() {
    let mut space = SpaceMap::default();
    for days in [-4000, 0, 1] {
        space.add([night(days)], 10);
    }
    let capped = enforce_cap(
        all_kept([night(-4000), night(0), night(1)]),
        &space,
        Size(5),
        now(),
    );
    assert_eq!(kept(&capped), BTreeSet::from([night(-4000), night(0)]));
}

#[test]
fn what_shares_space_with_an_unlisted_generation_is_not_counted_as_given_back() {
    let mut space = SpaceMap::default();
    space.add([night(2), night(1)], 100);
    space.add([night(0)], 1);
    // The generation of two nights ago is on the drive, and nothing was decided about it.
    let capped = enforce_cap(all_kept([night(1), night(0)]), &space, Size(50), now());
    assert_eq!(kept(&capped), BTreeSet::from([night(0)]));
    assert!(
        capped[0]
            .why
            .ends_with("what must stay takes 101 bytes, over the cap of 50 bytes")
    );
}

type Case = (SpaceMap, Vec<Decision>, Size);

/// Up to 12 generations, some already retired, files shared between any of them, and any cap.
fn any_case() -> impl Strategy<Value = Case> {
    let class = (prop::collection::btree_set(0_i64..12, 0..5), 0_u64..1000);
    let classes = prop::collection::vec(class, 0..40);
    let decided = prop::collection::btree_map(0_i64..12, any::<bool>(), 1..12);
    (classes, decided, 0_u64..12_000).prop_map(|(classes, decided, cap)| {
        let mut space = SpaceMap::default();
        for (owners, bytes) in classes {
            let owners = owners.into_iter().filter(|days| decided.contains_key(days));
            space.add(owners.map(night), bytes);
        }
        let newest = *decided.keys().next().expect("at least one");
        let mut decisions = all_kept(decided.keys().map(|days| night(*days)));
        for (decision, kept) in decisions.iter_mut().zip(decided.values()) {
            decision.kept = *kept || decision.generation == night(newest);
        }
        (space, decisions, Size(cap))
    })
}

/// The rule once more, as the manual states it: of all left but the newest.
fn worth_by_the_book(
    space: &SpaceMap,
    left: &BTreeSet<GenerationName>,
) -> BTreeMap<GenerationName, f64> {
    let names: Vec<GenerationName> = left.iter().copied().collect();
    let older_part = &names[..names.len() - 1];
    let freed = |name: &GenerationName| {
        let mut rest = left.clone();
        rest.remove(name);
        f64::from(
            u32::try_from(space.use_of(left).bytes() - space.use_of(&rest).bytes()).expect("small"),
        )
    };
    let mut all: Vec<f64> = older_part
        .iter()
        .map(freed)
        .filter(|bytes| *bytes > 0.0)
        .collect();
    all.sort_by(f64::total_cmp);
    let median = all.get(all.len() / 2).copied().unwrap_or(1.0);
    let age =
        |name: GenerationName| now().duration_since(name.instant()).as_secs_f64() / 86_400.0 + 1.0;
    let worth = |at: usize| {
        let gap = match at.checked_sub(1) {
            Some(older) => (age(names[older]) / age(names[at + 1])).ln(),
            None => 3.0 * (age(names[0]) / age(names[1])).ln(),
        };
        let freed = freed(&names[at]);
        if freed > 0.0 {
            gap / (1.0 + freed / median).log2()
        } else {
            f64::INFINITY
        }
    };
    (0..older_part.len())
        .map(|at| (names[at], worth(at)))
        .collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn afterwards_the_use_is_within_the_cap_or_only_the_newest_is_left((space, decisions, cap) in any_case()) {
        let left = kept(&enforce_cap(decisions, &space, cap, now()));
        prop_assert!(space.use_of(&left) <= cap || left.len() == 1);
    }

    #[test]
    fn the_newest_stays_and_the_last_to_go_had_to((space, decisions, cap) in any_case()) {
        let before = kept(&decisions);
        let mut left = kept(&enforce_cap(decisions.clone(), &space, cap, now()));
        prop_assert_eq!(left.last(), before.last());
        let order = order_of_going(&decisions, &space, now());
        let gone = before.len() - left.len();
        prop_assert!(order[..gone].iter().all(|going| !left.contains(&going.generation)));
        if let Some(last) = order[..gone].last() {
            left.insert(last.generation);
            prop_assert!(space.use_of(&left) > cap);
        }
    }

    #[test]
    fn a_larger_cap_keeps_all_that_a_smaller_one_keeps((space, decisions, cap) in any_case(), more in 0_u64..5000) {
        let small = kept(&enforce_cap(decisions.clone(), &space, cap, now()));
        let large = kept(&enforce_cap(decisions, &space, Size(cap.bytes() + more), now()));
        prop_assert!(small.is_subset(&large));
    }

    #[test]
    fn each_turn_takes_the_least_valuable_of_those_left((space, decisions, _) in any_case()) {
        let mut left = kept(&decisions);
        for going in order_of_going(&decisions, &space, now()) {
            let worth = worth_by_the_book(&space, &left);
            let least = worth.values().copied().fold(f64::INFINITY, f64::min);
            let own = worth[&going.generation];
            prop_assert!(own.total_cmp(&(least * 1.000_001)).is_le(), "{own} {least}");
            let before = space.use_of(&left);
            left.remove(&going.generation);
            prop_assert_eq!(before.bytes() - space.use_of(&left).bytes(), going.gives_back.bytes());
            prop_assert_eq!(before, going.in_use);
        }
        prop_assert_eq!(left.len(), 1);
    }

    #[test]
    fn the_cap_applied_again_changes_nothing((space, decisions, cap) in any_case()) {
        let once = enforce_cap(decisions, &space, cap, now());
        let again = enforce_cap(once.clone(), &space, cap, now());
        prop_assert_eq!(kept(&again), kept(&once));
    }

    #[test]
    fn the_order_of_decisions_does_not_matter((space, decisions, cap) in any_case()) {
        let straight = enforce_cap(decisions.clone(), &space, cap, now());
        let turned = decisions.into_iter().rev().collect();
        prop_assert_eq!(enforce_cap(turned, &space, cap, now()), straight);
    }
}
