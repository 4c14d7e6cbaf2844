//! Brings the database, the drive's catalogue and the drive itself into one account.
//!
//! Pure: it says what each list lacks, and what is on the drive that neither knows. Either list alone is
//! enough to rebuild the other; without both, the names in the folder are.

use std::collections::{BTreeMap, BTreeSet};

use super::{Form, FoundEntry, Generation, GenerationName, State};
use crate::jobs::{KindName, Name};

/// Whose folder it is, for generations that no list describes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Owner {
    pub server: Name,
    pub job: Name,
    pub kind: KindName,
}

/// The one account, and what to do so that both lists give it.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Reconciled {
    /// What both lists should say, newest first; with retired ones.
    pub generations: Vec<Generation>,
    pub add_to_store: Vec<Generation>,
    pub add_to_catalogue: Vec<Generation>,
    /// On the drive and in no list: taken in with zero counts. They are in `generations` too.
    pub adopt: Vec<GenerationName>,
    /// In a list and not on the drive: to be forgotten.
    pub missing: Vec<GenerationName>,
    /// Marked as retired and still on the drive: their removal was cut short.
    pub retired_on_drive: Vec<GenerationName>,
    /// Entries that belong to no whole generation: `.partial` names, and manifests left alone.
    pub leftovers: Vec<String>,
    pub notes: Vec<String>,
}

/// Reconcile the database's list, the catalogue's list and what was found in the folder of `owner`.
///
/// All three in any order; the lists with their retired generations.
pub fn reconcile(
    owner: &Owner,
    store: &[Generation],
    catalogue: &[Generation],
    found: &[FoundEntry],
) -> Reconciled {
    let mut result = Reconciled::default();
    let store = own(owner, store, "the database", &mut result.notes);
    let catalogue = own(owner, catalogue, "the catalogue", &mut result.notes);
    let mut merged = merge(&store, &catalogue);
    drop_missing(&mut merged, found, &mut result);
    adopt_unknown(owner, &mut merged, found, &mut result);
    find_leftovers(found, &mut result);
    result.generations = merged.into_values().rev().collect();
    result.add_to_store = lacking(&result.generations, &store);
    result.add_to_catalogue = lacking(&result.generations, &catalogue);
    result
}

type List = BTreeMap<GenerationName, Generation>;

fn own(owner: &Owner, list: &[Generation], from: &str, notes: &mut Vec<String>) -> List {
    let ours = |one: &&Generation| one.server == owner.server && one.job == owner.job;
    let foreign = list.iter().filter(|one| !ours(one)).count();
    if foreign > 0 {
        notes.push(format!(
            "{from} lists {foreign} generations of another server or job in the folder of `{}/{}`: left out",
            owner.server, owner.job
        ));
    }
    list.iter()
        .filter(ours)
        .map(|one| (one.name, one.clone()))
        .collect()
}

fn merge(store: &List, catalogue: &List) -> List {
    let mut merged = store.clone();
    for (name, theirs) in catalogue {
        merged
            .entry(*name)
            .and_modify(|ours| {
                if !prefers(ours, theirs) {
                    *ours = theirs.clone();
                }
            })
            .or_insert_with(|| theirs.clone());
    }
    merged
}

/// Whether the database's line stands against the catalogue's. Retiring is never undone; else the one that
/// ended later, because it was written later; else the one that lies with the data.
fn prefers(store: &Generation, catalogue: &Generation) -> bool {
    let rank = |one: &Generation| (one.state == State::Retired, one.ended);
    rank(store) > rank(catalogue)
}

fn lies_on_drive(one: &Generation, found: &[FoundEntry]) -> bool {
    found.iter().any(|entry| match entry {
        FoundEntry::Generation { name, form } => *name == one.name && *form == one.form,
        FoundEntry::Current { .. } => one.form == Form::Current,
        _ => false,
    })
}

fn drop_missing(merged: &mut List, found: &[FoundEntry], result: &mut Reconciled) {
    merged.retain(|name, one| {
        let there = lies_on_drive(one, found);
        match (one.state, there) {
            // `current/` outlives the mirror's retired lines.
            (State::Retired, true) if one.form != Form::Current => {
                result.retired_on_drive.push(*name);
                let entry = one.form.entry(*name);
                let words = "was retired and is still on the drive: its removal was cut short";
                result.notes.push(format!("`{entry}` {words}"));
                true
            }
            (State::Whole | State::Updating, false) => {
                result.missing.push(*name);
                let entry = one.form.entry(*name);
                result.notes.push(format!(
                    "`{entry}` was listed and is not on the drive: dropped from the lists"
                ));
                false
            }
            _ => true,
        }
    });
}

fn adopt_unknown(owner: &Owner, merged: &mut List, found: &[FoundEntry], result: &mut Reconciled) {
    let mirror = |one: &Generation| one.form == Form::Current && one.state != State::Retired;
    for entry in found {
        let (name, form, state) = match entry {
            FoundEntry::Generation { name, form } if !merged.contains_key(name) => {
                (*name, *form, State::Whole)
            }
            // Without a line nothing tells whether an update was under way; the next run completes it.
            FoundEntry::Current { changed } if !merged.values().any(mirror) => {
                (GenerationName::at(*changed), Form::Current, State::Updating)
            }
            _ => continue,
        };
        let words = "was in no list: taken in, without counts of its files and bytes";
        result.notes.push(format!("`{}` {words}", form.entry(name)));
        result.adopt.push(name);
        merged.insert(name, adopted(owner, name, form, state));
    }
    result.adopt.sort();
}

fn adopted(owner: &Owner, name: GenerationName, form: Form, state: State) -> Generation {
    Generation {
        name,
        server: owner.server.clone(),
        job: owner.job.clone(),
        kind: owner.kind,
        form,
        state,
        ended: name.instant(),
        sources: Vec::new(),
        files: 0,
        bytes: 0,
        new_bytes: 0,
        run: String::new(),
    }
}

fn find_leftovers(found: &[FoundEntry], result: &mut Reconciled) {
    let there: BTreeSet<GenerationName> = found
        .iter()
        .filter_map(|entry| match entry {
            FoundEntry::Generation { name, .. } => Some(*name),
            _ => None,
        })
        .collect();
    let has_mirror = found
        .iter()
        .any(|entry| matches!(entry, FoundEntry::Current { .. }));
    let mut leftovers: Vec<String> = found
        .iter()
        .filter_map(|entry| match entry {
            FoundEntry::Partial { entry } => Some(entry.clone()),
            FoundEntry::Manifest { name } if !there.contains(name) => Some(format!("{name}.mtree")),
            FoundEntry::Contents { name, form } if !there.contains(name) => form.contents(*name),
            FoundEntry::Inventory { name } if !there.contains(name) => Some(name.inventory()),
            FoundEntry::CurrentManifest if !has_mirror => Some("current.mtree".to_owned()),
            _ => None,
        })
        .collect();
    leftovers.sort();
    result.leftovers = leftovers;
}

fn lacking(all: &[Generation], list: &List) -> Vec<Generation> {
    all.iter()
        .filter(|one| list.get(&one.name) != Some(one))
        .cloned()
        .collect()
}

#[cfg(test)]
#[path = "rebuild_tests.rs"]
mod tests;
