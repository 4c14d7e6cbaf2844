//! Copies on another host are verified by its own programs, over ssh, as root there and as an account that is not.

use std::collections::BTreeSet;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

use crate::kinds_trees::make_tricky;
use crate::ssh_server::{HAY, Server};
use crate::world::{World, leading_folder, ok};

/// A folder name that every shell would split, expand or misread.
const ODD: &str = "it's \"hay\" $HOME `x`;& \\n ~";
const COPIES: [&str; 2] = ["20261124T023000Z", "20261125T023000Z"];

struct Barn {
    world: World,
    server: Server,
}

impl Barn {
    /// Two nights of a history on the drive `barn`, with manifests that tell what was copied.
    fn new(user: &str) -> Option<Self> {
        let world = World::new(60)?;
        let server = Server::start(&world)?;
        server.pin(&world);
        server.write_drive(&world, user, &world.path("far").join(ODD));
        make_tricky(&world.source());
        world.write_source("glazes/celadon.txt", "celadon: ash\n".repeat(500));
        let job = "kind = \"history\"\nsource = [\"{dir}/source\"]\ndrive = \"barn\"\n";
        world.job("offsite", job);
        let barn = Self { world, server };
        for night in 0..COPIES.len() {
            barn.world
                .write_source(&format!("new-{night}.txt"), format!("night {night}"));
            let clock = format!("2026-11-{}T02:30:00Z", 24 + night);
            barn.world.run(&["--clock", &clock, "run", "offsite"], 0);
        }
        Some(barn)
    }

    fn folder(&self) -> PathBuf {
        self.world
            .path("far")
            .join(ODD)
            .join("hayloft/kiln/offsite")
    }

    fn there(&self, copy: &str, name: &str) -> PathBuf {
        let source = self.world.source();
        self.folder()
            .join(copy)
            .join(source.strip_prefix("/").unwrap())
            .join(name)
    }

    fn verify(&self, more: &[&str], exit: i32) -> Value {
        self.world
            .run_json(&[&["verify", "offsite"], more].concat(), exit)
    }
}

/// What was found, but for the folders on the way to the source, which are no part of what was copied.
fn findings(run: &Value) -> BTreeSet<(String, String)> {
    let proofs = run["proofs"].as_array().unwrap().iter();
    let all = proofs.flat_map(|proof| proof["findings"].as_array().unwrap());
    all.map(|one| {
        let path = one["path"].as_str().unwrap_or("(bytes)").to_owned();
        let name = path.split("/source/").nth(1).unwrap_or(&path);
        (one["what"].as_str().unwrap().to_owned(), name.to_owned())
    })
    .collect()
}

fn set(found: &[(&str, &str)]) -> BTreeSet<(String, String)> {
    found
        .iter()
        .map(|(what, name)| ((*what).to_owned(), (*name).to_owned()))
        .collect()
}

fn spoil(barn: &Barn) {
    let there = |name: &str| barn.there(COPIES[1], name);
    let celadon = there("glazes/celadon.txt");
    let time = ok(Command::new("stat").args(["-c", "%.9Y"]).arg(&celadon));
    let time = String::from_utf8(time.stdout).unwrap();
    // another content with the time that it had: what rot looks like
    fs::write(&celadon, "celadon: asj\n".repeat(500)).unwrap();
    ok(Command::new("touch")
        .arg(format!("--date=@{}", time.trim()))
        .arg(&celadon));
    fs::write(there("new-1.txt"), "longer than it was").unwrap();
    fs::remove_file(there("new-0.txt")).unwrap();
    fs::write(there("glazes/added \n.txt"), "more").unwrap();
}

fn spoilt_files_are_named(user: &str) {
    let Some(barn) = Barn::new(user) else { return };
    // other tests make folders beside the world: the time of the one that leads to it is not held against the copies
    let words = ["--json", "verify", "offsite", "--all"];
    let shown = barn.world.hayloft(&words).output().unwrap();
    let run: Value = serde_json::from_slice(&shown.stdout).unwrap();
    let leading = leading_folder();
    let all: Vec<_> = findings(&run)
        .into_iter()
        .filter(|(_, name)| *name != leading)
        .collect();
    assert_eq!(all, [], "{run:#}");
    let read: u64 = (run["proofs"].as_array().unwrap().iter())
        .map(|proof| proof["bytes"].as_u64().unwrap())
        .sum();
    assert_eq!(read, unique_bytes(&barn.folder(), &barn.world), "{run:#}");
    let says_so = run["notes"]
        .to_string()
        .contains("owners, modes and devices were not compared");
    assert_eq!(says_so, user != "root", "{run:#}");
    spoil(&barn);
    let run = barn.verify(&[], 1);
    let found: BTreeSet<_> = findings(&run)
        .into_iter()
        .filter(|(what, _)| what != "attributes")
        .collect();
    let expected = set(&[
        ("damaged", "glazes/celadon.txt"),
        ("changed", "new-1.txt"),
        ("missing", "new-0.txt"),
        ("extra", "glazes/added \n.txt"),
    ]);
    assert_eq!(found, expected, "{run:#}");
}

/// Of files with a length, each inode once; but a device that is kept as an empty file is one too.
fn unique_bytes(folder: &Path, _world: &World) -> u64 {
    let out = ok(Command::new("sh")
        .args(["-c", "find \"$1\" -mindepth 2 -type f -printf '%i %s\\n' | sort -u | awk '{s+=$2} END {print s}'", "sh"])
        .arg(folder));
    String::from_utf8(out.stdout)
        .unwrap()
        .trim()
        .parse()
        .unwrap()
}

#[test]
fn copies_on_another_host_are_verified_as_root_there() {
    spoilt_files_are_named("root");
}

#[test]
fn copies_on_another_host_are_verified_as_an_account_that_keeps_owners_elsewhere() {
    spoilt_files_are_named(HAY);
}

#[test]
fn a_file_that_the_other_host_cannot_read_is_named_with_its_words() {
    let Some(barn) = Barn::new(HAY) else { return };
    let file = barn.there(COPIES[1], "glazes/celadon.txt");
    fs::set_permissions(&file, fs::Permissions::from_mode(0o000)).unwrap();
    ok(Command::new("chown").arg("root").arg(&file));
    let run = barn.verify(&[], 1);
    let finding = &run["proofs"][0]["findings"][0];
    assert_eq!(finding["what"], "unreadable", "{run:#}");
    assert!(
        finding["words"]
            .as_str()
            .unwrap()
            .contains("Permission denied"),
        "{finding}"
    );
    assert_eq!(run["proofs"][0]["found"]["unreadable"], 1);
}

#[test]
fn a_sample_and_parts_of_a_drive_on_another_host_read_what_they_should() {
    let Some(barn) = Barn::new("root") else {
        return;
    };
    let run = barn.verify(&["--sample", "3"], 0);
    assert_eq!(run["proofs"][0]["files"], 3, "{run:#}");
    let config = barn.world.path("config/server.toml");
    let text = fs::read_to_string(&config).unwrap();
    let (begin, end) = text.split_once("[drives.barn]\n").unwrap();
    let text = format!("{begin}[drives.barn]\nreread = {{ within = \"4 weeks\" }}\n{end}");
    fs::write(&config, text).unwrap();
    let mut read = 0;
    for day in ["2026-11-29", "2026-12-06", "2026-12-13", "2026-12-20"] {
        let clock = format!("{day}T04:00:00Z");
        let shown = barn.world.run(
            &["--json", "--clock", &clock, "verify", "--slice", "barn"],
            0,
        );
        for line in shown.out.lines() {
            let run: Value = serde_json::from_str(line).unwrap();
            for proof in run["proofs"].as_array().into_iter().flatten() {
                read += proof["bytes"].as_u64().unwrap();
            }
        }
    }
    assert!(read >= unique_bytes(&barn.folder(), &barn.world), "{read}");
}

#[test]
fn a_host_that_does_not_answer_or_breaks_off_is_told_as_such() {
    let Some(mut barn) = Barn::new("root") else {
        return;
    };
    barn.server.stop();
    let run = barn.verify(&[], 4);
    assert_eq!(run["outcome"], "host-unreachable", "{run:#}");
}
