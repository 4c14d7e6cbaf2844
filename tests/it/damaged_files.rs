//! Files damaged at random: loading never panics, and every place it tells is a place of the file.

use std::fs;
use std::path::Path;

use hayloft::jobs::{Colour, load};
use proptest::prelude::*;

use crate::config_folder::ConfigFolder;

fn example(name: &str) -> String {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("jobs.example");
    fs::read_to_string(root.join(name)).unwrap()
}

/// Put `patch` in place of `length` characters from `at`.
fn damaged(text: &str, at: usize, length: usize, patch: &str) -> String {
    let before: String = text.chars().take(at).collect();
    let after: String = text.chars().skip(at + length).collect();
    format!("{before}{patch}{after}")
}

/// A secret may be masked, character by character.
fn same_but_for_stars(written: &str, shown: &str) -> bool {
    written.chars().count() == shown.chars().count()
        && written
            .chars()
            .zip(shown.chars())
            .all(|(w, s)| w == s || s == '*')
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn every_mistake_in_a_damaged_file_has_its_place_in_that_file(
        at in 0_usize..2500,
        length in 0_usize..40,
        patch in "([\\[\\]{}=\"'#\\\\.,é陶\t\r\n a-z0-9-]|\"\"\"|age1|://){0,8}",
        which in prop::sample::select(&["server.toml", "jobs/studio-files.toml", "jobs/orders.toml", "jobs/ines-home.toml"]),
    ) {
        let folder = ConfigFolder::new()
            .with("server.toml", &example("server.toml"))
            .with("jobs/orders.toml", &example("jobs/orders.toml"));
        let text = damaged(&example(which), at, length, &patch);
        let folder = folder.with(which, &text);
        let found = load(folder.path()).err().unwrap_or_default();
        for diagnostic in found {
            prop_assert!(!diagnostic.render(Colour::Plain).is_empty());
            let (Some(place), true) = (&diagnostic.place, diagnostic.file.ends_with(which)) else {
                continue;
            };
            let line = text.split('\n').nth(place.line - 1).expect("a line of the file");
            let line = line.strip_suffix('\r').unwrap_or(line);
            prop_assert!(same_but_for_stars(line, &place.source_line), "{} {}", line, place.source_line);
            let here: String = line.chars().skip(place.column - 1).take(place.text.chars().count()).collect();
            prop_assert!(same_but_for_stars(&here, &place.text), "{} {}", here, place.text);
        }
    }
}
