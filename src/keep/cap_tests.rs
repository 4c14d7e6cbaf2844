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

#[test]
fn the_oldest_go_first_until_the_rest_fits() {
    let mut space = SpaceMap::default();
    space.add([night(0)], 100_000_000_000);
    space.add([night(1)], 100_000_000_000);
    space.add([night(2)], 200_000_000_000);
    space.add([night(0), night(1), night(2)], 1_300_000_000_000);
    let decisions = all_kept([night(0), night(1), night(2)]);
    let capped = enforce_cap(decisions, &space, Size(1_500_000_000_000), now());
    assert_eq!(kept(&capped), BTreeSet::from([night(0), night(1)]));
    assert_eq!(
        capped[2].why,
        "over the cap of 1.5 TB: oldest first (would take 1.7 TB)"
    );
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

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2000))]

    #[test]
    fn afterwards_the_use_is_within_the_cap_or_only_the_newest_is_left((space, decisions, cap) in any_case()) {
        let left = kept(&enforce_cap(decisions, &space, cap, now()));
        prop_assert!(space.use_of(&left) <= cap || left.len() == 1);
    }

    #[test]
    fn the_newest_stays_and_nothing_more_goes_than_must((space, decisions, cap) in any_case()) {
        let before = kept(&decisions);
        let left = kept(&enforce_cap(decisions, &space, cap, now()));
        prop_assert_eq!(left.last(), before.last());
        // What is left are the newest ones, and one more would not have fitted.
        prop_assert!(before.iter().rev().take(left.len()).all(|name| left.contains(name)));
        let one_more: BTreeSet<_> = before.iter().rev().take(left.len() + 1).copied().collect();
        prop_assert!(one_more.len() == left.len() || space.use_of(&one_more) > cap);
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
