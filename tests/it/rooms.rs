//! The rooms of `src/` look only where they may, and every file keeps to the rules of the house.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

/// What `jobs`, `plan`, `schedule` and `keep` may take from `record`: plain data, no effects.
const PLAIN_DATA: [&str; 10] = [
    "Generation",
    "GenerationName",
    "Form",
    "State",
    "Outcome",
    "Changes",
    "Decision",
    "Trigger",
    "GoodCopy",
    "Place",
];

/// The service itself, in the room of its rules: it waits, and so needs a clock.
const SERVICE: [&str; 3] = [
    "schedule/service.rs",
    "schedule/host.rs",
    "schedule/wait.rs",
];

/// `ldif` reads a text that others define, and needs nobody.
const ALL_BUT_LDIF: [&str; 16] = [
    "cli", "exit", "jobs", "keep", "mail", "plan", "prove", "record", "report", "restore", "run",
    "schedule", "system", "terminal", "tools", "tree",
];

/// Where the files of a room must not look.
fn forbidden(room: &str) -> &'static [&'static str] {
    match room {
        "jobs" | "plan" | "keep" | "schedule" => {
            &["run", "system", "cli", "mail", "report", "restore"]
        }
        "report" => &["run", "system", "mail", "cli", "restore"],
        "settings" | "tools" | "tree" => &["run", "system", "cli", "mail", "report", "restore"],
        "restore" => &["run", "system", "cli", "mail", "report"],
        "record" | "system" => &["run", "cli", "mail", "report", "restore"],
        "prove" => &["run", "cli", "mail"],
        "run" | "mail" => &["cli"],
        "ldif" => &ALL_BUT_LDIF,
        _ => &[],
    }
}

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// Every Rust file below a folder, with its path from there.
fn rust_files(folder: &Path) -> Vec<(String, String)> {
    let mut found = Vec::new();
    let mut folders = vec![folder.to_owned()];
    while let Some(next) = folders.pop() {
        for entry in fs::read_dir(&next).unwrap() {
            let path: PathBuf = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|extension| extension == "rs") {
                let name = path
                    .strip_prefix(folder)
                    .unwrap()
                    .to_str()
                    .unwrap()
                    .to_owned();
                found.push((name, fs::read_to_string(&path).unwrap()));
            }
        }
    }
    found.sort();
    found
}

/// The file without its comments; links in them are no imports.
fn code(text: &str) -> String {
    let lines = text
        .lines()
        .map(|line| line.split("//").next().unwrap_or(""));
    lines.collect::<Vec<_>>().join("\n")
}

/// The room `jobs/reading/table.rs` is in: `jobs`.
fn room_of(file: &str) -> &str {
    file.split('/')
        .next()
        .unwrap_or(file)
        .trim_end_matches(".rs")
}

/// Everything that a file names from the crate's root, such as `record::Changes`, one path each; a list
/// in braces gives one path for each of its names.
fn looks_at(code: &str) -> BTreeSet<Vec<String>> {
    let mut found = BTreeSet::new();
    for (at, word) in code.match_indices("crate::") {
        let begins = !code[..at].ends_with(|c: char| c.is_alphanumeric() || c == '_');
        if begins {
            take_path(&code[at + word.len()..], &mut Vec::new(), &mut found);
        }
    }
    found
}

/// Reads one path, and each path of a list; gives what stands behind it.
fn take_path<'c>(
    text: &'c str,
    begin: &mut Vec<String>,
    found: &mut BTreeSet<Vec<String>>,
) -> &'c str {
    let mut rest = text.trim_start();
    if let Some(mut inner) = rest.strip_prefix('{') {
        loop {
            inner = take_path(inner, &mut begin.clone(), found).trim_start();
            match inner.strip_prefix(',') {
                Some(more) if !more.trim_start().starts_with('}') => inner = more,
                Some(more) => return &more.trim_start()[1..],
                None => return inner.strip_prefix('}').unwrap_or(inner),
            }
        }
    }
    let end = rest
        .find(|c: char| !(c.is_alphanumeric() || c == '_' || c == '*'))
        .unwrap_or(rest.len());
    begin.push(rest[..end].to_owned());
    rest = &rest[end..];
    if let Some(more) = rest
        .strip_prefix("::")
        .filter(|more| !more.starts_with('<'))
    {
        return take_path(more, begin, found);
    }
    found.insert(begin.clone());
    match rest.trim_start().strip_prefix("as ") {
        Some(renamed) => renamed
            .trim_start()
            .trim_start_matches(|c: char| c.is_alphanumeric() || c == '_'),
        None => rest,
    }
}

/// What is wrong with the looks of one file.
fn wrong_looks(file: &str, text: &str) -> Vec<String> {
    let room = room_of(file);
    let pure = ["jobs", "plan", "schedule", "keep"].contains(&room);
    let mut wrong = Vec::new();
    for path in looks_at(&code(text)) {
        let shown = path.join("::");
        if forbidden(room).contains(&path[0].as_str()) && !SERVICE.contains(&file) {
            wrong.push(format!("{file}: `{room}` must not look at `{shown}`"));
        }
        let plain = path
            .get(1)
            .is_some_and(|name| PLAIN_DATA.contains(&name.as_str()));
        if pure && path[0] == "record" && !plain {
            wrong.push(format!(
                "{file}: `{shown}` is more of `record` than plain data"
            ));
        }
    }
    // by the back door: `super::super::run`
    let text = code(text);
    for (at, word) in text.match_indices("super::") {
        let behind = &text[at + word.len()..];
        let end = behind
            .find(|c: char| !(c.is_alphanumeric() || c == '_'))
            .unwrap_or(behind.len());
        let name = &behind[..end];
        let own = root().join("src").join(room);
        let is_own = own.join(name).exists() || own.join(format!("{name}.rs")).exists();
        if forbidden(room).contains(&name) && !is_own {
            wrong.push(format!("{file}: `{room}` must not look at `super::{name}`"));
        }
    }
    wrong
}

#[test]
fn no_room_looks_where_it_should_not() {
    let files = rust_files(&root().join("src"));
    let wrong: Vec<String> = files
        .iter()
        .flat_map(|(file, text)| wrong_looks(file, text))
        .collect();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn a_look_where_it_should_not_is_seen_however_it_is_written() {
    let wrong = [
        ("jobs/job.rs", "use crate::run::Executor;"),
        (
            "keep/cap.rs",
            "use crate::{jobs::Size, system::clock::{Clock, SystemClock}};",
        ),
        ("plan/make.rs", "fn f() { crate::system::gather(); }"),
        ("plan/make.rs", "use crate::record::{Outcome,\n    Store};"),
        (
            "plan/kinds/history.rs",
            "use crate::record::{Changes as What, store::Store,};",
        ),
        ("schedule/due.rs", "use crate::system::clock::Clock;"),
        ("report/verdict.rs", "use crate::mail::Outbox;"),
        ("tools/tar.rs", "use super::super::run::Executor;"),
        ("ldif/reader.rs", "use crate::record::Outcome;"),
        ("ldif/reader.rs", "use crate::tools::rsync;"),
    ];
    for (file, text) in wrong {
        assert!(!wrong_looks(file, text).is_empty(), "{file}: {text}");
    }
    let right = [
        (
            "plan/make.rs",
            "use crate::record::{Form as Shape, GenerationName};\n// see crate::run",
        ),
        ("schedule/service.rs", "use crate::system::clock::Clock;"),
        ("cli/run.rs", "use crate::run::Executor;"),
        ("plan/make.rs", "my_crate::run::x();"),
    ];
    for (file, text) in right {
        assert_eq!(
            wrong_looks(file, text),
            Vec::<String>::new(),
            "{file}: {text}"
        );
    }
}

fn all_files() -> Vec<(String, String)> {
    let mut files = Vec::new();
    for folder in ["src", "tests", "benches"] {
        let path = root().join(folder);
        if path.exists() {
            let found = rust_files(&path).into_iter();
            files.extend(found.map(|(file, text)| (format!("{folder}/{file}"), text)));
        }
    }
    assert!(files.len() > 100, "{}", files.len());
    files
}

#[test]
fn every_file_says_what_it_is_for_and_is_short() {
    for (file, text) in all_files() {
        assert!(
            text.starts_with("//! "),
            "{file} does not open with what it is for"
        );
        let lines = text.lines().count();
        assert!(
            lines <= 400,
            "{file} has {lines} lines: two purposes, two files"
        );
    }
}

#[test]
fn no_file_is_named_for_nothing_in_particular() {
    for (file, _) in all_files() {
        let name = Path::new(&file).file_stem().unwrap().to_str().unwrap();
        assert!(
            ![
                "utils", "util", "helpers", "helper", "common", "imp", "misc"
            ]
            .contains(&name),
            "{file}"
        );
    }
}

#[test]
fn the_file_of_a_room_holds_its_doc_and_its_list_and_no_logic() {
    for (file, text) in all_files() {
        if !file.ends_with("/mod.rs") {
            continue;
        }
        for statement in code(&text).split(';') {
            let statement = statement.trim();
            let bare = statement.rsplit(']').next().unwrap_or(statement).trim();
            let listed = [
                "mod ",
                "pub mod ",
                "pub use ",
                "use ",
                "pub(crate) use ",
                "pub(crate) mod ",
                "pub(super) use ",
            ];
            let fine = bare.is_empty() || listed.iter().any(|begin| bare.starts_with(begin));
            assert!(fine && !bare.contains("fn "), "{file}: `{statement}`");
        }
    }
}
