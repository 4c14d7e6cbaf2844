//! The manual: every key that the parser knows, and pages and completions that their programs take.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use hayloft::jobs::{KindName, load};
use tempfile::TempDir;

use crate::config_folder::{ConfigFolder, SERVER};
use crate::world::{ok, skip};

const PAGE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/packaging/man/hayloft.5");

type Keys = BTreeSet<String>;

/// The keys of each table of hayloft(5), by its heading.
fn keys_of_the_page() -> BTreeMap<String, Keys> {
    let page = fs::read_to_string(PAGE).unwrap();
    let mut tables: BTreeMap<String, Keys> = BTreeMap::new();
    let (mut heading, mut line_before) = (String::new(), "");
    for line in page.lines() {
        if let Some(text) = line.strip_prefix(".SS ").or(line.strip_prefix(".SH ")) {
            text.trim_matches('"').clone_into(&mut heading);
        } else if let (".TP", Some(key)) = (line_before, line.strip_prefix(".B ")) {
            tables
                .entry(heading.clone())
                .or_default()
                .insert(key.to_owned());
        }
        line_before = line;
    }
    tables
}

/// The keys that the parser names as allowed where `no_such_key` stands.
#[track_caller]
fn keys_of_the_parser(server: &str, job: Option<&str>) -> Keys {
    let mut folder = ConfigFolder::new().with("server.toml", server);
    if let Some(job) = job {
        folder = folder.with("jobs/pots.toml", job);
    }
    let found = load(folder.path()).expect_err("`no_such_key` is a mistake");
    let unknown = found
        .iter()
        .find(|one| one.message.contains("`no_such_key`"));
    let unknown = unknown.unwrap_or_else(|| panic!("{}", crate::config_folder::rendered(&found)));
    let allowed = unknown.allowed.as_ref().unwrap();
    allowed.split(", ").map(str::to_owned).collect()
}

#[track_caller]
fn same(headings: &[&str], known: &Keys) {
    let page = keys_of_the_page();
    let described = headings.iter().flat_map(|heading| {
        page.get(*heading)
            .unwrap_or_else(|| panic!("hayloft(5) has no `{heading}`"))
    });
    let described: Keys = described.cloned().collect();
    assert_eq!(
        &described, known,
        "hayloft(5), {headings:?}, and the parser"
    );
}

#[test]
fn the_manual_has_the_keys_of_server_toml() {
    let above = format!("no_such_key = 1\n{SERVER}");
    let below = |text: &str| format!("{SERVER}{text}\nno_such_key = 1\n");
    let server = SERVER.replace("[drives", "no_such_key = 1\n[drives");
    let tables = [
        (above, "server.toml"),
        (server, "[server]"),
        (below(""), "[drives.NAME] on this server"),
        (
            below("[drives.barn]\nssh = \"hay@barn.example\""),
            "[drives.NAME] on another host",
        ),
        (below("[mail]"), "[mail]"),
        (below("[machines.laptop]"), "[machines.NAME]"),
    ];
    for (text, heading) in tables {
        same(&[heading], &keys_of_the_parser(&text, None));
    }
}

#[test]
fn the_manual_has_the_keys_of_each_kind_of_job() {
    const ALL: &str = "Every job";
    const FILES: &str = "history, mirror and archive";
    const DATED: &str = "history and archive";
    let kinds: [(&str, &[&str]); 7] = [
        ("history", &[ALL, FILES, DATED]),
        ("mirror", &[ALL, FILES]),
        ("archive", &[ALL, FILES, DATED, "archive"]),
        ("clone", &[ALL, "clone"]),
        ("directory", &[ALL, "directory"]),
        ("database", &[ALL, "database"]),
        ("settings", &[ALL, "settings"]),
    ];
    for (kind, headings) in kinds {
        let job = format!("kind = \"{kind}\"\nno_such_key = 1\n");
        same(headings, &keys_of_the_parser(SERVER, Some(&job)));
    }
}

#[test]
fn the_manual_tells_which_kinds_of_job_can_be_run() {
    let page = fs::read_to_string(PAGE).unwrap();
    let (_, behind) = page.split_once("\n.B kind\n").unwrap();
    let (told, _) = behind.split_once("\n.TP\n").unwrap();
    let lines: Vec<&str> = told.lines().collect();
    for kind in KindName::ALL {
        let can_run = lines.contains(&format!(".IR {kind} :").as_str());
        let cannot = lines.contains(&format!(".I {kind}").as_str());
        assert_ne!(can_run, cannot, "hayloft(5) tells of `{kind}` once");
        assert_eq!(can_run, kind.is_built(), "hayloft(5) of `{kind}`");
    }
    let cannot = lines.iter().any(|line| line.contains("cannot be run yet"));
    let all_built = KindName::ALL.iter().all(|kind| kind.is_built());
    assert_eq!(cannot, !all_built, "{told}");
}

#[test]
fn the_manual_has_the_keys_of_the_tables_within_a_drive() {
    let server = format!("{SERVER}reread = {{ within = \"3 months\", no_such_key = 1 }}\n");
    same(&["reread"], &keys_of_the_parser(&server, None));
}

#[test]
fn the_manual_has_the_keys_of_the_tables_within_a_job() {
    let clone =
        "kind = \"clone\"\ntarget = { disk = \"/dev/disk/by-id/ata-SPARE\", no_such_key = 1 }\n";
    let archive = "kind = \"archive\"\nencrypt = { no_such_key = 1 }\n";
    let source =
        "kind = \"history\"\nsource = { no_such_key = 1, ssh = \"ines@laptop.example\" }\n";
    let login = "kind = \"directory\"\nlogin = { no_such_key = 1 }\n";
    let below = |table: &str| format!("kind = \"history\"\n[[{table}]]\nno_such_key = 1\n");
    let tables = [
        (archive.to_owned(), "encrypt"),
        (source.to_owned(), "source on another host"),
        (login.to_owned(), "login"),
        (below("keep"), "[[keep]]"),
        (below("pre"), "[[pre]]"),
        (below("post"), "[[post]]"),
    ];
    for (job, heading) in tables {
        same(&[heading], &keys_of_the_parser(SERVER, Some(&job)));
    }
    // a disk has no size of its own accord, so the parser names only what it looked for
    let mut target = keys_of_the_parser(SERVER, Some(clone));
    target.extend(keys_of_the_parser(
        SERVER,
        Some(&clone.replace(
            "disk = \"/dev/disk/by-id/ata-SPARE\"",
            "image = \"kiln.img\"",
        )),
    ));
    same(&["target"], &target);
}

fn written() -> TempDir {
    let folder = tempfile::tempdir().unwrap();
    let program = env!("CARGO_BIN_EXE_hayloft");
    ok(Command::new(program).arg("files").arg(folder.path()));
    folder
}

fn is_there(program: &str) -> bool {
    let found = Command::new(program).arg("--version").output().is_ok();
    if !found {
        skip(format!("`{program}` is not installed"));
    }
    found
}

fn pages(folder: &Path) -> Vec<PathBuf> {
    let entries = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path());
    let mut pages: Vec<PathBuf> = entries
        .filter(|path| path.extension().is_some_and(|e| e == "1"))
        .collect();
    pages.push(PAGE.into());
    pages
}

#[test]
fn every_page_of_the_manual_is_set_without_a_warning() {
    if !is_there("man") {
        return;
    }
    let folder = written();
    let pages = pages(folder.path());
    assert!(pages.len() >= 9, "{pages:?}");
    for page in pages {
        let mut man = Command::new("man");
        let man = man
            .args(["--warnings", "--local-file"])
            .arg(&page)
            .env("MANWIDTH", "80")
            .env("LC_ALL", "C.UTF-8");
        let out = ok(man);
        assert!(
            out.stderr.is_empty(),
            "{}: {}",
            page.display(),
            String::from_utf8_lossy(&out.stderr)
        );
        let text = String::from_utf8(out.stdout).unwrap();
        assert!(
            text.contains("NAME") && text.contains("hayloft"),
            "{}: {text}",
            page.display()
        );
    }
}

#[test]
fn nothing_that_is_hidden_stands_in_manual_or_completions() {
    let folder = written();
    for entry in fs::read_dir(folder.path()).unwrap() {
        let path = entry.unwrap().path();
        let text = fs::read_to_string(&path).unwrap();
        for hidden in ["unseal", "deliver", "clock", "planned"] {
            assert!(
                !text.contains(&format!("{hidden}\n")) && !text.contains(&format!("--{hidden}")),
                "{}: {hidden}",
                path.display()
            );
        }
    }
}

#[test]
fn bash_completes_commands() {
    if !is_there("bash") {
        return;
    }
    let folder = written();
    let script = "source \"$1\"; COMP_WORDS=(hayloft sta); COMP_CWORD=1; _hayloft hayloft sta hayloft; echo \"${COMPREPLY[@]}\"";
    let out = ok(Command::new("bash")
        .args(["--norc", "-c", script, "bash"])
        .arg(folder.path().join("hayloft.bash")));
    assert_eq!(String::from_utf8_lossy(&out.stdout).trim(), "status");
}

#[test]
fn zsh_loads_its_completion() {
    if !is_there("zsh") {
        return;
    }
    let folder = written();
    let script = "fpath=($1 $fpath); autoload -U compinit && compinit -u -D && print $_comps[hayloft] && autoload +X _hayloft && which _hayloft_commands || whence -w _hayloft";
    let out = ok(Command::new("zsh")
        .args(["-f", "-c", script, "zsh"])
        .arg(folder.path()));
    let text = String::from_utf8_lossy(&out.stdout);
    assert!(
        out.stderr.is_empty() && text.starts_with("_hayloft"),
        "{text}{}",
        String::from_utf8_lossy(&out.stderr)
    );
}

#[test]
fn fish_completes_commands() {
    if !is_there("fish") {
        return;
    }
    let folder = written();
    let script = format!(
        "source {}; complete -C 'hayloft sta'",
        folder.path().join("hayloft.fish").display()
    );
    let out = ok(Command::new("fish").args(["--no-config", "-c", &script]));
    assert!(String::from_utf8_lossy(&out.stdout).starts_with("status\t"));
}
