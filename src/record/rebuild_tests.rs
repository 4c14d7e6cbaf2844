//! Either list rebuilds the other, whatever was in it.

use proptest::prelude::*;

use super::*;
use crate::record::samples::{generation, name, night};

fn owner() -> Owner {
    Owner {
        server: name("kiln"),
        job: name("studio-files"),
        kind: KindName::History,
    }
}

fn on_drive(list: &[Generation]) -> Vec<FoundEntry> {
    let live = list.iter().filter(|one| one.state != State::Retired);
    live.map(|one| FoundEntry::Generation {
        name: one.name,
        form: one.form,
    })
    .collect()
}

/// Up to 30 nights, some retired, in any form that has a name of its own; newest first.
fn any_list() -> impl Strategy<Value = Vec<Generation>> {
    let forms = prop::sample::select(vec![Form::Tree, Form::Tar, Form::SealedTar]);
    let one = (any::<bool>(), forms, any::<u32>());
    prop::collection::btree_map(0_i64..400, one, 0..30).prop_map(|nights| {
        let first = night("20260101T023000Z").instant();
        let made = nights
            .into_iter()
            .rev()
            .map(|(day, (retired, form, bytes))| {
                let begun = first + jiff::SignedDuration::from_hours(24 * day);
                let state = if retired {
                    State::Retired
                } else {
                    State::Whole
                };
                Generation {
                    name: GenerationName::at(begun),
                    ended: begun,
                    form,
                    state,
                    bytes: u64::from(bytes),
                    ..generation("20260101T023000Z")
                }
            });
        made.collect()
    })
}

/// A list as it would be after following what was said to add and to forget.
fn followed(list: &[Generation], add: &[Generation], result: &Reconciled) -> Vec<Generation> {
    let mut map: List = list.iter().map(|one| (one.name, one.clone())).collect();
    map.retain(|name, _| !result.missing.contains(name));
    map.extend(add.iter().map(|one| (one.name, one.clone())));
    map.into_values().rev().collect()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1000))]

    #[test]
    fn losing_either_list_loses_nothing(original in any_list()) {
        let found = on_drive(&original);
        let agreed = reconcile(&owner(), &original, &original, &found);
        prop_assert_eq!(&agreed, &Reconciled { generations: original.clone(), ..Reconciled::default() });
        let store_lost = reconcile(&owner(), &[], &original, &found);
        prop_assert_eq!(&store_lost.generations, &original);
        prop_assert_eq!(&store_lost.add_to_store, &original);
        prop_assert_eq!(store_lost.add_to_catalogue, vec![]);
        let catalogue_lost = reconcile(&owner(), &original, &[], &found);
        prop_assert_eq!(&catalogue_lost.generations, &original);
        prop_assert_eq!(&catalogue_lost.add_to_catalogue, &original);
        prop_assert_eq!(catalogue_lost.add_to_store, vec![]);
    }

    #[test]
    fn losing_both_lists_keeps_every_generation_that_is_on_the_drive(original in any_list()) {
        let found = on_drive(&original);
        let result = reconcile(&owner(), &[], &[], &found);
        let key = |one: &Generation| (one.name, one.form, one.state);
        let live: Vec<_> = original.iter().filter(|one| one.state == State::Whole).map(key).collect();
        prop_assert_eq!(result.generations.iter().map(key).collect::<Vec<_>>(), live);
        prop_assert_eq!(&result.add_to_store, &result.generations);
        prop_assert_eq!(&result.add_to_catalogue, &result.generations);
        prop_assert_eq!(result.adopt.len(), result.notes.len());
    }

    /// Lists that have drifted apart, and a drive that agrees with neither: one pass settles it.
    #[test]
    fn following_what_is_said_once_settles_both_lists(
        store in any_list(), catalogue in any_list(), drive in any_list()
    ) {
        let found = on_drive(&drive);
        let result = reconcile(&owner(), &store, &catalogue, &found);
        let new_store = followed(&store, &result.add_to_store, &result);
        let new_catalogue = followed(&catalogue, &result.add_to_catalogue, &result);
        prop_assert_eq!(&new_store, &result.generations);
        prop_assert_eq!(&new_catalogue, &result.generations);
        let again = reconcile(&owner(), &new_store, &new_catalogue, &found);
        prop_assert_eq!(&again.generations, &result.generations);
        prop_assert!(again.add_to_store.is_empty() && again.add_to_catalogue.is_empty());
        prop_assert!(again.adopt.is_empty() && again.missing.is_empty());
    }

    #[test]
    fn what_was_retired_in_either_list_is_not_brought_back(
        store in any_list(), catalogue in any_list(), drive in any_list()
    ) {
        let result = reconcile(&owner(), &store, &catalogue, &on_drive(&drive));
        for one in store.iter().chain(&catalogue).filter(|one| one.state == State::Retired) {
            let now = result.generations.iter().find(|now| now.name == one.name);
            prop_assert_eq!(now.map(|now| now.state), Some(State::Retired));
        }
    }
}

#[test]
fn a_generation_no_list_knows_is_taken_in_and_said() {
    let found = on_drive(&[generation("20261125T023000Z")]);
    let result = reconcile(&owner(), &[], &[], &found);
    assert_eq!(result.adopt, [night("20261125T023000Z")]);
    assert_eq!(
        result.notes,
        ["`20261125T023000Z` was in no list: taken in, without counts of its files and bytes"]
    );
    assert_eq!(result.generations[0].bytes, 0);
}

#[test]
fn a_listed_generation_that_is_gone_is_dropped_and_said() {
    let list = [generation("20261125T023000Z")];
    let result = reconcile(&owner(), &list, &list, &[]);
    assert_eq!(result.missing, [night("20261125T023000Z")]);
    assert_eq!(result.generations, []);
    assert_eq!(
        result.notes,
        ["`20261125T023000Z` was listed and is not on the drive: dropped from the lists"]
    );
}

#[test]
fn a_retired_generation_still_on_the_drive_is_pointed_out() {
    let mut one = generation("20261125T023000Z");
    let found = on_drive(std::slice::from_ref(&one));
    one.state = State::Retired;
    let result = reconcile(&owner(), &[one.clone()], &[], &found);
    assert_eq!(result.retired_on_drive, [one.name]);
    assert_eq!(result.generations, [one]);
}

#[test]
fn unfinished_work_and_lone_manifests_are_leftovers() {
    let whole = generation("20261125T023000Z");
    let mut found = on_drive(std::slice::from_ref(&whole));
    found.extend([
        FoundEntry::Partial {
            entry: "20261126T023000Z.partial".to_owned(),
        },
        FoundEntry::Manifest { name: whole.name },
        FoundEntry::Manifest {
            name: night("20261101T023000Z"),
        },
    ]);
    let list = [whole];
    let result = reconcile(&owner(), &list, &list, &found);
    assert_eq!(
        result.leftovers,
        ["20261101T023000Z.mtree", "20261126T023000Z.partial"]
    );
    assert_eq!(result.notes, Vec::<String>::new());
}

#[test]
fn a_mirror_without_a_list_is_taken_in_as_not_yet_whole() {
    let changed = night("20261125T023000Z").instant();
    let found = [FoundEntry::Current { changed }];
    let result = reconcile(&owner(), &[], &[], &found);
    assert_eq!(result.generations[0].form, Form::Current);
    assert_eq!(result.generations[0].state, State::Updating);
    let again = reconcile(&owner(), &result.generations, &[], &found);
    assert_eq!(again.generations, result.generations);
}

#[test]
fn lines_of_another_job_are_left_out_and_said() {
    let mut foreign = generation("20261125T023000Z");
    foreign.job = name("accounts");
    let result = reconcile(&owner(), &[], &[foreign], &[]);
    assert_eq!(result.generations, []);
    assert_eq!(
        result.notes,
        [
            "the catalogue lists 1 generations of another server or job in the folder of `kiln/studio-files`: left out"
        ]
    );
}
