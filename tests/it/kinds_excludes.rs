//! `exclude` means the same to every kind, and what is never copied is told.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;
use std::process::Command;

use crate::kinds_trees::within;
use crate::world::{World, ok};

/// Files of the source, and folders (with a slash).
const TREE: [&str; 26] = [
    "a.tmp",
    "keep.txt",
    "deep/b.tmp",
    "deep/.tmp",
    "deep/tmp",
    "abs/path/in",
    "abs/pathology",
    "deep/abs/path/in",
    "cache/one",
    "deep/cache/two",
    "deep/er/cache",
    "cachet/in",
    "abc",
    "deep/axc",
    "a/c",
    "deep/abbc",
    "ax",
    "bx",
    "deep/bx",
    "cx",
    "open[bracket",
    "[ab]x",
    "back\\slash",
    "two words",
    "deep/two/three",
    "empty/",
];

/// A pattern (`{dir}` is the world's folder) and what it leaves out.
const TABLE: [(&str, &[&str]); 16] = [
    ("*.tmp", &["a.tmp", "deep/b.tmp", "deep/.tmp"]),
    ("{dir}/source/abs/path/", &["abs/path/in"]),
    ("{dir}/source/abs/path", &["abs/path/", "abs/path/in"]),
    (
        "{dir}/source/abs",
        &["abs/", "abs/path/", "abs/path/in", "abs/pathology"],
    ),
    ("cache/", &["cache/one", "deep/cache/two"]),
    (
        "cache",
        &[
            "cache/",
            "cache/one",
            "deep/cache/",
            "deep/cache/two",
            "deep/er/cache",
        ],
    ),
    ("a?c", &["abc", "deep/axc"]),
    ("[ab]x", &["ax", "bx", "deep/bx"]),
    ("[!ab]x", &["cx"]),
    ("\\[ab\\]x", &["[ab]x"]),
    ("open\\[bracket", &["open[bracket"]),
    ("back\\\\slash", &["back\\slash"]),
    ("two words", &["two words"]),
    ("\\two words", &["two words"]),
    ("two/three", &["deep/two/three"]),
    ("{dir}/source/*/cache/", &["deep/cache/two"]),
];

fn build(world: &World) {
    for name in TREE {
        match name.strip_suffix('/') {
            Some(folder) => fs::create_dir_all(world.source().join(folder)).unwrap(),
            None => world.write_source(name, name),
        }
    }
}

/// Every path below a folder; folders with a slash.
fn names(top: &Path) -> BTreeSet<String> {
    let out = ok(Command::new("find").arg(top).args([
        "-mindepth",
        "1",
        "(",
        "-type",
        "d",
        "-printf",
        "%P/\\0",
        "-o",
        "-printf",
        "%P\\0",
        ")",
    ]));
    let text = String::from_utf8(out.stdout).unwrap();
    text.split('\0')
        .filter(|name| !name.is_empty())
        .map(ToOwned::to_owned)
        .collect()
}

#[test]
fn a_pattern_leaves_out_the_same_in_every_kind() {
    let Some(world) = World::new(60) else { return };
    build(&world);
    let all = names(&world.source());
    for (number, (pattern, left_out)) in TABLE.iter().enumerate() {
        let expected: BTreeSet<String> = all
            .iter()
            .filter(|name| !left_out.contains(&name.as_str()))
            .cloned()
            .collect();
        assert_eq!(all.len() - expected.len(), left_out.len(), "{pattern}");
        for kind in ["history", "mirror", "archive"] {
            let name = format!("{kind}-{number}");
            // a TOML literal string keeps backslashes (TOML 1.0, "String")
            world.job(&name, &format!("kind = \"{kind}\"\nsource = [\"{{dir}}/source\"]\nexclude = ['{pattern}']\ndrive = \"shelf\"\n"));
            world.run(&["run", &name], 0);
            let back = world.path(&name);
            world.run(&["restore", &name, "--to", back.to_str().unwrap()], 0);
            assert_eq!(
                names(&within(&back, &world.source())),
                expected,
                "{kind} {pattern}"
            );
        }
    }
}

#[test]
fn kernel_file_systems_and_the_drive_itself_are_left_out_and_told() {
    let Some(world) = World::new(60) else { return };
    world.write_source("order", "two bowls");
    for name in ["odd [proc]*\\", "memory", "shelf"] {
        fs::create_dir_all(world.source().join(name)).unwrap();
    }
    let mounts = Mounts::new(&world);
    mounts.mount(&["-t", "proc", "proc"], "odd [proc]*\\");
    mounts.mount(&["-t", "tmpfs", "tmpfs"], "memory");
    world.write_source("memory/kept", "on a tmpfs, which holds real files");
    world.unmount(&[]);
    ok(Command::new("mount")
        .args(["-o", "loop"])
        .arg(world.path("shelf.img"))
        .arg(world.source().join("shelf")));
    let server = fs::read_to_string(world.path("config/server.toml")).unwrap();
    let moved = server.replace(
        world.drive().to_str().unwrap(),
        world.source().join("shelf").to_str().unwrap(),
    );
    fs::write(world.path("config/server.toml"), moved).unwrap();
    for kind in ["history", "mirror", "archive"] {
        world.job(
            kind,
            &format!("kind = \"{kind}\"\nsource = [\"{{dir}}/source\"]\ndrive = \"shelf\"\n"),
        );
        for _ in 0..2 {
            let notes = world.run_json(&["run", kind], 0)["notes"].to_string();
            assert!(notes.contains("the kernel's own `proc`"), "{notes}");
            assert!(
                notes.contains("holds the copies on drive `shelf`"),
                "{notes}"
            );
        }
        let back = world.path(&format!("back-{kind}"));
        world.run(&["restore", kind, "--to", back.to_str().unwrap()], 0);
        let found = names(&within(&back, &world.source()));
        let expected = [
            "memory/",
            "memory/kept",
            "order",
            "shelf/",
            "shelf/lost+found/",
        ];
        let expected: BTreeSet<String> = expected.iter().map(ToString::to_string).collect();
        assert_eq!(found, expected, "{kind}");
    }
}

/// Unmounts what a test mounted within the source, also when it fails.
struct Mounts<'w>(&'w World);

impl<'w> Mounts<'w> {
    fn new(world: &'w World) -> Self {
        Self(world)
    }

    fn mount(&self, words: &[&str], name: &str) {
        ok(Command::new("mount")
            .args(words)
            .arg(self.0.source().join(name)));
    }
}

impl Drop for Mounts<'_> {
    fn drop(&mut self) {
        for name in ["shelf", "memory", "odd [proc]*\\"] {
            let _ = Command::new("umount")
                .arg("-l")
                .arg(self.0.source().join(name))
                .output();
        }
    }
}
