//! Every crate in the tree is under a licence that `deny.toml` allows.

use std::path::Path;
use std::process::Command;

use serde_json::Value;

use crate::world::ok;

fn allowed() -> Vec<String> {
    let text =
        std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("deny.toml")).unwrap();
    let table: toml::Table = text.parse().unwrap();
    let list = table["licenses"]["allow"].as_array().unwrap();
    list.iter()
        .map(|one| one.as_str().unwrap().to_owned())
        .collect()
}

/// Whether an SPDX licence expression (SPDX specification 2.3, annex D) can be met. `/` is the older way to
/// write OR; OR binds less than AND.
fn is_met(expression: &str, allowed: &[String]) -> bool {
    let words = expression
        .replace('/', " OR ")
        .replace('(', " ( ")
        .replace(')', " ) ");
    let words: Vec<&str> = words.split_whitespace().collect();
    let (met, end) = any(&words, 0, allowed);
    assert_eq!(end, words.len(), "{expression}");
    met
}

fn any(words: &[&str], at: usize, allowed: &[String]) -> (bool, usize) {
    let (mut met, mut at) = all(words, at, allowed);
    while words.get(at) == Some(&"OR") {
        let (other, end) = all(words, at + 1, allowed);
        (met, at) = (met || other, end);
    }
    (met, at)
}

fn all(words: &[&str], at: usize, allowed: &[String]) -> (bool, usize) {
    let (mut met, mut at) = one(words, at, allowed);
    while words.get(at) == Some(&"AND") {
        let (other, end) = one(words, at + 1, allowed);
        (met, at) = (met && other, end);
    }
    (met, at)
}

fn one(words: &[&str], at: usize, allowed: &[String]) -> (bool, usize) {
    if words[at] == "(" {
        let (met, end) = any(words, at + 1, allowed);
        return (met, end + 1);
    }
    if words.get(at + 1) == Some(&"WITH") {
        let name = format!("{} WITH {}", words[at], words[at + 2]);
        return (allowed.contains(&name), at + 3);
    }
    (allowed.iter().any(|name| name == words[at]), at + 1)
}

#[test]
fn licence_expressions_are_read_as_spdx_says() {
    let allowed = ["MIT".to_owned(), "ISC".to_owned()];
    for met in [
        "MIT",
        "GPL-2.0-only OR MIT",
        "MIT AND ISC",
        "(MIT OR X) AND ISC",
        "X AND Y OR MIT",
        "X/MIT",
    ] {
        assert!(is_met(met, &allowed), "{met}");
    }
    for unmet in [
        "X",
        "MIT AND X",
        "MIT WITH some-exception",
        "(X OR Y) AND MIT",
        "X AND (MIT OR ISC)",
    ] {
        assert!(!is_met(unmet, &allowed), "{unmet}");
    }
}

#[test]
fn every_crate_is_under_a_licence_that_is_allowed() {
    let cargo = std::env::var_os("CARGO").unwrap_or_else(|| "cargo".into());
    let mut metadata = Command::new(cargo);
    metadata.args(["metadata", "--format-version", "1", "--locked", "--offline"]);
    metadata.args(["--filter-platform", "x86_64-unknown-linux-gnu"]);
    let out = ok(metadata.current_dir(env!("CARGO_MANIFEST_DIR")));
    let metadata: Value = serde_json::from_slice(&out.stdout).unwrap();
    let allowed = allowed();
    let packages = metadata["packages"].as_array().unwrap();
    assert!(packages.len() > 100, "{}", packages.len());
    for package in packages {
        let licence = package["license"].as_str();
        let licence = licence.unwrap_or_else(|| panic!("{} names no licence", package["name"]));
        assert!(is_met(licence, &allowed), "{}: {licence}", package["name"]);
    }
}
