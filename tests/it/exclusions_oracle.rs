//! What is left out of a tree, against what rsync leaves out with the very arguments of a job: random trees of
//! hostile names, random patterns.

use std::collections::BTreeSet;
use std::ffi::OsStr;
use std::fs;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};
use std::process::Command;

use hayloft::jobs::{Pattern, Source};
use hayloft::plan::HiddenPath;
use hayloft::tools::rsync::{What, list_source};
use hayloft::tree::Exclusions;

use crate::random::Random;
use crate::world::{ok, skip};

const TREES: usize = 25;
const CASES_A_TREE: usize = 16;

/// Few, so that patterns hit; with all that has a meaning in a pattern.
const BYTES: &[u8] = b"aabbccABx.1-_!^[]\\*? :#\n\xff\xe9";

/// What random patterns are put together from.
const PIECES: &[&str] = &[
    "a",
    "b",
    "c",
    "B",
    "x",
    ".",
    "*",
    "*",
    "?",
    "/",
    "/",
    "[ab]",
    "[!a]",
    "[^b]",
    "[a-c]",
    "[]-a]",
    "[[:alpha:]]",
    "[[:upper:]1]",
    "[[:punct:]-]",
    "[![:space:]]",
    "[[:cntrl:]]",
    "[a\\]b]",
    "[\\a-c]",
    "[--1]",
    "[c-a]",
    "[[:x:]]",
    "[![:x:]]",
    "[a-c[:x:]]",
    "[[:a]",
    "[b/]",
    "\\a",
    "\\*",
    "\\?",
    "\\[",
    "\\\\",
    "\\/",
    "\\!",
    "\\- ",
    "\\+ ",
    "\\- ",
    "\\+ ",
    "]",
    "!",
    "- ",
    "#",
    " ",
    "é",
    ":",
];

struct Tree {
    /// Not there.
    nowhere: PathBuf,
    /// Two sources, so that what holds for one is seen not to hold for the other.
    sources: Vec<PathBuf>,
    /// Every path in them, absolute.
    paths: Vec<Vec<u8>>,
}

fn random_name(random: &mut Random) -> Vec<u8> {
    loop {
        let length = 1 + random.index(4);
        let name: Vec<u8> = (0..length).map(|_| *random.pick(BYTES)).collect();
        if name != b"." && name != b".." {
            return name;
        }
    }
}

fn make_tree(folder: &Path, random: &mut Random) -> Tree {
    let mut tree = Tree {
        nowhere: folder.join("not there"),
        sources: Vec::new(),
        paths: Vec::new(),
    };
    for _ in 0..2 {
        let above = folder.join(OsStr::from_bytes(&random_name(random)));
        let source = above.join(OsStr::from_bytes(&random_name(random)));
        let is_apart = |one: &PathBuf| !one.starts_with(&source) && !source.starts_with(one);
        if !tree.sources.iter().all(is_apart) || fs::create_dir_all(&source).is_err() {
            continue;
        }
        fill(&source, 0, random, &mut tree.paths);
        tree.sources.push(source);
    }
    tree
}

fn fill(folder: &Path, depth: u64, random: &mut Random, paths: &mut Vec<Vec<u8>>) {
    for _ in 0..random.below(12) {
        let path = folder.join(OsStr::from_bytes(&random_name(random)));
        if path.symlink_metadata().is_ok() {
            continue;
        }
        paths.push(path.as_os_str().as_bytes().to_vec());
        if random.chance(3 - depth.min(3), 6) {
            fs::create_dir(&path).unwrap();
            fill(&path, depth + 1, random, paths);
        } else {
            fs::write(&path, "").unwrap();
        }
    }
}

/// A pattern made from a path that is there, or from pieces.
fn random_pattern(tree: &Tree, random: &mut Random) -> Pattern {
    loop {
        let text = if random.chance(1, 3) || tree.paths.is_empty() {
            let length = 1 + random.index(6);
            (0..length).map(|_| *random.pick(PIECES)).collect()
        } else {
            from_path(&tree.paths[random.index(tree.paths.len())], random)
        };
        if let Ok(pattern) = Pattern::parse(&text) {
            return pattern;
        }
    }
}

/// The end of a path, or all of it, with some of its bytes written as something that matches them.
fn from_path(path: &[u8], random: &mut Random) -> String {
    let parts: Vec<&[u8]> = path[1..].split(|byte| *byte == b'/').collect();
    let is_rooted = random.chance(1, 3);
    let taken = if is_rooted {
        parts.len()
    } else {
        1 + random.index(3.min(parts.len()))
    };
    let last = &parts[parts.len() - taken..];
    let mut text: Vec<String> = last.iter().map(|part| disguise(part, random)).collect();
    if random.chance(1, 12) {
        let at = random.index(text.len());
        text[at] = "*".into();
    }
    let (begin, end) = (
        // now and then a path that is there, but not from the root
        if is_rooted || random.chance(1, 10) {
            "/"
        } else {
            ""
        },
        if random.chance(1, 4) { "/" } else { "" },
    );
    format!("{begin}{}{end}", text.join("/"))
}

fn disguise(name: &[u8], random: &mut Random) -> String {
    let mut text = String::new();
    for (index, &byte) in name.iter().enumerate() {
        let plain = char::from(byte);
        let is_odd = !byte.is_ascii() || byte == b'\n';
        match random.below(16) {
            0 => text.push_str("[!a]"),
            1 => text.push_str("[a-c]"),
            2 if !is_odd => text.extend(['[', 'x', '\\', plain, ']']),
            3 => text.push_str(if byte.is_ascii_punctuation() {
                "[[:punct:]]"
            } else {
                "[[:print:]]"
            }),
            4 if !text.ends_with('*') => text.push('*'),
            5 if index + 1 == name.len() && !text.ends_with('*') => text.push('*'),
            6 => text.push('?'),
            7 => text.push(plain),
            _ if is_odd => text.push('?'),
            _ if b"*?[\\".contains(&byte) => text.extend(['\\', plain]),
            _ => text.push(plain),
        }
    }
    text
}

/// The paths that rsync would copy, at and below the sources.
fn listed_by_rsync(tree: &Tree, exclude: &[Pattern], hidden: &[HiddenPath]) -> BTreeSet<Vec<u8>> {
    let source = Source::Local(tree.sources.clone());
    let what = What {
        source: &source,
        source_line: None,
        exclude,
        hidden,
    };
    let argv = list_source(what, &tree.nowhere);
    let out = ok(Command::new(&argv.program)
        .args(&argv.args)
        .env("LC_ALL", "C"));
    let lines = out.stdout.split(|byte| *byte == b'\n');
    lines
        .filter(|line| line.starts_with(b">f") || line.starts_with(b"cd"))
        .map(|line| {
            let name = line.splitn(4, |byte| *byte == b' ').nth(3).unwrap();
            let mut path = unescape(name);
            path.pop_if(|byte| *byte == b'/');
            path
        })
        .filter(|path| {
            let path = Path::new(OsStr::from_bytes(path));
            tree.sources.iter().any(|source| path.starts_with(source))
        })
        .collect()
}

/// rsync(1), `--8-bit-output`: `\#` and three octal digits stand for a byte.
fn unescape(name: &[u8]) -> Vec<u8> {
    let mut plain = Vec::new();
    let mut rest = name;
    while let Some((&byte, behind)) = rest.split_first() {
        if let Some(octal) = rest.strip_prefix(b"\\#").and_then(|text| text.get(..3))
            && let Ok(code) = u8::from_str_radix(&String::from_utf8_lossy(octal), 8)
        {
            plain.push(code);
            rest = &rest[5..];
        } else {
            plain.push(byte);
            rest = behind;
        }
    }
    plain
}

/// The same by a walk that asks `Exclusions`.
fn walked(tree: &Tree, exclusions: &Exclusions) -> BTreeSet<Vec<u8>> {
    let mut found = BTreeSet::new();
    let mut pending = tree.sources.clone();
    while let Some(path) = pending.pop() {
        let bytes = path.as_os_str().as_bytes();
        let slash = bytes.iter().rposition(|byte| *byte == b'/').unwrap();
        if exclusions.leaves_out(&bytes[..slash], &bytes[slash + 1..]) {
            continue;
        }
        found.insert(bytes.to_vec());
        if path.is_dir() {
            let entries = fs::read_dir(&path).unwrap();
            pending.extend(entries.map(|entry| entry.unwrap().path()));
        }
    }
    found
}

fn shown(paths: &BTreeSet<Vec<u8>>, other: &BTreeSet<Vec<u8>>) -> Vec<String> {
    paths
        .difference(other)
        .map(|path| path.escape_ascii().to_string())
        .collect()
}

#[test]
fn what_rsync_takes_for_an_order_is_a_name_when_a_backslash_precedes_it() {
    let folder = tempfile::tempdir().unwrap();
    for name in ["!", "- x", "+ x", "x"] {
        fs::write(folder.path().join(name), "").unwrap();
    }
    let tree = Tree {
        nowhere: folder.path().join("not there"),
        sources: vec![folder.path().to_owned()],
        paths: Vec::new(),
    };
    let exclude = ["x", "\\!", "\\- x", "\\+ x"].map(|text| Pattern::parse(text).unwrap());
    let only_the_source = BTreeSet::from([folder.path().as_os_str().as_bytes().to_vec()]);
    assert_eq!(listed_by_rsync(&tree, &exclude, &[]), only_the_source);
    let exclusions = Exclusions::new(&exclude, &[]);
    assert_eq!(walked(&tree, &exclusions), only_the_source);
}

#[test]
fn what_a_walk_leaves_out_is_what_rsync_leaves_out() {
    if Command::new("rsync").arg("--version").output().is_err() {
        return skip("needs rsync");
    }
    let mut random = Random::new("HAYLOFT_SEED");
    let (mut cases, mut that_leave_out, mut that_keep) = (0, 0, 0);
    for _ in 0..TREES {
        let folder = tempfile::tempdir().unwrap();
        let tree = make_tree(folder.path(), &mut random);
        for _ in 0..CASES_A_TREE {
            let number = 1 + random.index(3);
            let exclude: Vec<_> = (0..number)
                .map(|_| random_pattern(&tree, &mut random))
                .collect();
            let mut hidden = Vec::new();
            if random.chance(1, 4) && !tree.paths.is_empty() {
                let path =
                    Path::new(OsStr::from_bytes(random.pick::<Vec<u8>>(&tree.paths))).to_owned();
                hidden.push(HiddenPath {
                    path,
                    why: "it holds the copies".into(),
                });
            }
            let by_rsync = listed_by_rsync(&tree, &exclude, &hidden);
            let by_walk = walked(&tree, &Exclusions::new(&exclude, &hidden));
            assert!(
                by_rsync == by_walk,
                "exclude {exclude:?}\nhidden {hidden:?}\nonly rsync copies {:?}\nonly the walk takes {:?}",
                shown(&by_rsync, &by_walk),
                shown(&by_walk, &by_rsync)
            );
            cases += 1;
            let all = tree.paths.len() + tree.sources.len();
            that_leave_out += usize::from(by_rsync.len() < all);
            that_keep += usize::from(by_rsync.len() * 2 > all);
        }
    }
    eprintln!("{cases} cases, {that_leave_out} leave something out, {that_keep} keep most");
    assert!(cases >= 300 && that_leave_out * 4 > cases && that_keep * 4 > cases);
}
