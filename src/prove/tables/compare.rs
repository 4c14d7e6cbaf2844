//! Holds what was loaded against what was exported.

use std::collections::BTreeMap;

use super::{Certainty, Engine, Table, TableKind, Tables};

/// What a comparison found.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Comparison {
    /// Tables that hold the same, row for row.
    pub same: u64,
    /// Rows in them.
    pub rows: u64,
    /// What is not as it was exported.
    pub differences: Vec<String>,
    /// What cannot be held against the export to the last row, and why.
    pub notes: Vec<String>,
}

impl Comparison {
    pub fn is_same(&self) -> bool {
        self.differences.is_empty()
    }
}

/// Both are of databases of the same engine; their names may differ.
pub fn compare(exported: &Tables, loaded: &Tables) -> Comparison {
    let mut found = Comparison::default();
    let mut others: BTreeMap<_, &Table> = (loaded.tables.iter())
        .map(|table| (table.key(), table))
        .collect();
    let sums = sums_are_comparable(exported, loaded);
    for table in &exported.tables {
        match others.remove(&table.key()) {
            Some(other) => compare_table(table, other, sums, &mut found),
            None if table.certainty == Certainty::ChangedMeanwhile => found.notes.push(format!(
                "{table} was made or dropped while it was exported, and is not in the export"
            )),
            None => found.differences.push(format!("{table} is missing")),
        }
    }
    for extra in others.values() {
        found
            .differences
            .push(format!("{extra} is there, but was not exported"));
    }
    compare_objects(exported, loaded, sums, &mut found);
    compare_extensions(exported, loaded, &mut found);
    found
}

/// Whether equal content has equal sums in both.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Sums {
    Comparable,
    /// The server works them out from how it stores a row, which changes between its versions.
    OfAnotherVersion,
}

fn sums_are_comparable(exported: &Tables, loaded: &Tables) -> Sums {
    let series = |version: &str| -> Vec<String> {
        let parts = version.split(['.', '-']).take(2);
        parts.map(str::to_owned).collect()
    };
    let same = series(&exported.version) == series(&loaded.version);
    if exported.engine == Engine::Mariadb && !same {
        Sums::OfAnotherVersion
    } else {
        Sums::Comparable
    }
}

fn compare_table(table: &Table, other: &Table, sums: Sums, found: &mut Comparison) {
    let rows_differ = table.rows != other.rows;
    let both = table.sum.as_ref().zip(other.sum.as_ref());
    let sums_differ = sums == Sums::Comparable && both.is_some_and(|(one, two)| one != two);
    match table.certainty {
        Certainty::Exact | Certainty::Rounded | Certainty::PresentRows if rows_differ => found.differences.push(format!(
            "{table} had {} when it was exported, and has {}",
            rows(table.rows),
            rows(other.rows)
        )),
        Certainty::Exact if sums_differ && table.kind == TableKind::Sequence => {
            found.differences.push(format!(
                "{table} stands at `{}`, and stood at `{}` when it was exported",
                other.sum.as_deref().unwrap_or_default(),
                table.sum.as_deref().unwrap_or_default()
            ));
        }
        Certainty::Exact if sums_differ => found.differences.push(format!(
            "{table} has its {}, but not all with the content that was exported",
            rows(table.rows)
        )),
        Certainty::Rounded if sums_differ => found.notes.push(format!(
            "{table} has columns of type float, of which the export keeps 6 digits: its {} are there, their \
             content was not compared",
            rows(table.rows)
        )),
        Certainty::PresentRows => found.notes.push(format!(
            "{table} keeps its history, which is not exported: its {} are there, their content was not compared",
            rows(table.rows)
        )),
        Certainty::ChangedMeanwhile if rows_differ || sums_differ => found.notes.push(format!(
            "{table} was written to while it was exported: {} before, {} loaded",
            rows(table.rows),
            rows(other.rows)
        )),
        Certainty::FilledAnew if rows_differ || sums_differ => found.notes.push(format!(
            "{table} was filled anew, and differs from what the server held when it was exported: {} then, {} now",
            rows(table.rows),
            rows(other.rows)
        )),
        _ => {
            found.same += 1;
            if table.kind == TableKind::Table {
                found.rows += table.rows;
            }
        }
    }
}

fn rows(count: u64) -> String {
    match count {
        1 => "1 row".to_owned(),
        _ => format!("{count} rows"),
    }
}

fn compare_objects(exported: &Tables, loaded: &Tables, sums: Sums, found: &mut Comparison) {
    let kinds = exported.objects.keys().chain(loaded.objects.keys());
    let kinds: std::collections::BTreeSet<&String> = kinds.collect();
    for kind in kinds {
        let (one, two) = (exported.objects.get(kind), loaded.objects.get(kind));
        let count = |side: Option<&super::Objects>| side.map_or(0, |objects| objects.count);
        if one != two && exported.changed_objects.contains(kind) {
            found.notes.push(format!(
                "{kind} were made, changed or dropped while it was exported: they were not compared"
            ));
        } else if count(one) != count(two) {
            found.differences.push(format!(
                "{} {kind} were exported, and {} are there",
                count(one),
                count(two)
            ));
        } else if one != two && sums == Sums::Comparable {
            found
                .differences
                .push(format!("the {kind} are not those that were exported"));
        }
    }
}

fn compare_extensions(exported: &Tables, loaded: &Tables, found: &mut Comparison) {
    for extension in &exported.extensions {
        let name = &extension.name;
        match loaded.extensions.iter().find(|one| one.name == *name) {
            None => found
                .differences
                .push(format!("extension `{name}` is missing")),
            Some(other) if other.version != extension.version => found.notes.push(format!(
                "extension `{name}` is of version {} here, and was of {} when it was exported",
                other.version, extension.version
            )),
            Some(_) => {}
        }
    }
}
