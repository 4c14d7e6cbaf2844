//! What can go wrong on the way to another host: each has a name, and advice.

use std::fs;
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use crate::kinds_trees::{Allowing, assert_same, within};
use crate::ssh_server::{HAY, Server};
use crate::world::{Shown, World, ok};

fn world_with_drive() -> Option<(World, Server)> {
    let world = World::new(40)?;
    let server = Server::start(&world)?;
    server.write_drive(&world, HAY, &world.path("far"));
    world.write_source("order", "two bowls");
    for kind in ["history", "mirror", "archive"] {
        world.job(
            kind,
            &format!("kind = \"{kind}\"\nsource = [\"{{dir}}/source\"]\ndrive = \"barn\"\n"),
        );
    }
    Some((world, server))
}

/// A run that could not begin: exit 4, this outcome, these words, and nothing was sent.
#[track_caller]
fn assert_not_there(world: &World, outcome: &str, words: &[&str]) {
    for kind in ["history", "mirror", "archive"] {
        let run = world.run_json(&["run", kind], 4);
        assert_eq!(run["outcome"], outcome, "{run}");
        let said = format!("{} {}", run["reason"], run["advice"]);
        for word in words {
            assert!(said.contains(word), "`{word}` in {said}");
        }
    }
    assert!(!world.path("far/hayloft").exists(), "something was sent");
    let dry = world.run(&["run", "history", "--dry-run"], 4);
    assert!(!(dry.out + &dry.errors).is_empty());
}

#[test]
fn a_host_whose_key_is_not_pinned_is_refused() {
    let Some((world, _server)) = world_with_drive() else {
        return;
    };
    assert_not_there(&world, "host-refused", &["not pinned yet", "hayloft check"]);
    assert!(!world.state().join("known_hosts").exists());
}

#[test]
fn a_host_with_another_key_is_refused_and_nothing_is_sent() {
    let Some((world, mut server)) = world_with_drive() else {
        return;
    };
    server.pin(&world);
    server.stop();
    server.make_key("host_key");
    server.begin();
    assert_not_there(
        &world,
        "host-refused",
        &["another host key", "nothing was sent", "known_hosts"],
    );
}

#[test]
fn a_host_that_does_not_answer_is_unreachable() {
    let Some((world, mut server)) = world_with_drive() else {
        return;
    };
    server.pin(&world);
    server.stop();
    assert_not_there(
        &world,
        "host-unreachable",
        &["does not answer", "switched on"],
    );
}

#[test]
fn a_host_that_does_not_know_our_key_refuses_us() {
    let Some((world, server)) = world_with_drive() else {
        return;
    };
    server.pin(&world);
    server.make_key("client_key");
    assert_not_there(
        &world,
        "host-refused",
        &["refuses our key", "authorized_keys"],
    );
}

#[test]
fn a_folder_that_is_missing_on_the_host_is_an_absent_drive() {
    let Some((world, server)) = world_with_drive() else {
        return;
    };
    server.pin(&world);
    fs::remove_dir_all(world.path("far")).unwrap();
    assert_not_there(
        &world,
        "drive-absent",
        &["no folder", "attach the disk there"],
    );
}

#[test]
fn a_folder_that_our_account_cannot_write_is_told() {
    let Some((world, server)) = world_with_drive() else {
        return;
    };
    server.pin(&world);
    ok(Command::new("chown").arg("root").arg(world.path("far")));
    let run = world.run_json(&["run", "history"], 1);
    assert_eq!(run["outcome"], "drive-read-only", "{run}");
    assert!(
        run["reason"]
            .to_string()
            .contains("cannot be written by `hay`"),
        "{run}"
    );
}

/// Random bytes, so that neither zstd nor a hole makes them fewer.
fn write_noise(world: &World, name: &str, megabytes: u64) {
    let bytes = (megabytes * 1_000_000).to_string();
    let noise = ok(Command::new("head").args(["-c", &bytes, "/dev/urandom"]));
    world.write_source(name, noise.stdout);
}

/// The bytes below a folder, with those of files not yet named.
fn length_below(folder: &std::path::Path) -> u64 {
    let out = Command::new("du")
        .args(["-sb"])
        .arg(folder)
        .output()
        .unwrap();
    let text = String::from_utf8_lossy(&out.stdout).into_owned();
    text.split_whitespace()
        .next()
        .and_then(|word| word.parse().ok())
        .unwrap_or(0)
}

#[test]
fn a_connection_cut_in_the_middle_of_a_copy_is_tried_again_and_ends_well() {
    for kind in ["history", "mirror"] {
        let Some((world, server)) = world_with_drive() else {
            return;
        };
        server.pin(&world);
        for number in 0..8 {
            write_noise(&world, &format!("photograph-{number}"), 40);
        }
        let begun = Instant::now();
        let mut command = world.hayloft(&["--json", "run", kind]);
        let run = command
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let patience = Instant::now() + Duration::from_secs(60);
        while length_below(&world.path("far")) < 50_000_000 {
            assert!(Instant::now() < patience, "the copy did not begin");
            std::thread::sleep(Duration::from_millis(5));
        }
        assert!(server.cut_sessions() > 0);
        let shown = Shown::of(&run.wait_with_output().unwrap());
        assert_eq!(shown.exit, Some(0), "{}{}", shown.out, shown.errors);
        assert!(
            shown.errors.contains("trying again in 2 s"),
            "{}",
            shown.errors
        );
        let back = world.path("back");
        world.run(&["restore", kind, "--to", back.to_str().unwrap()], 0);
        assert_same(
            &world.source(),
            &within(&back, &world.source()),
            Allowing::Nothing,
        );
        eprintln!(
            "{kind}: 320 MB with one cut in {:.1} s",
            begun.elapsed().as_secs_f64()
        );
    }
}

#[test]
fn an_archive_cut_in_the_middle_fails_and_the_next_run_clears_up_after_it() {
    let Some((world, server)) = world_with_drive() else {
        return;
    };
    server.pin(&world);
    write_noise(&world, "photographs", 200);
    let mut command = world.hayloft(&["--json", "run", "archive"]);
    let run = command
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let patience = Instant::now() + Duration::from_secs(60);
    while length_below(&world.path("far")) < 20_000_000 {
        assert!(Instant::now() < patience, "the copy did not begin");
        std::thread::sleep(Duration::from_millis(5));
    }
    server.cut_sessions();
    let shown = Shown::of(&run.wait_with_output().unwrap());
    assert_eq!(shown.exit, Some(4), "{}{}", shown.out, shown.errors);
    world.run(&["run", "archive"], 0);
    let names = far_names(&world, "archive");
    assert!(
        !names.iter().any(|name| name.ends_with(".partial")),
        "{names:?}"
    );
    let whole = names
        .iter()
        .filter(|name| name.ends_with(".tar.zst"))
        .count();
    assert_eq!(whole, 1, "{names:?}");
}

fn far_names(world: &World, job: &str) -> Vec<String> {
    let folder: PathBuf = world.path("far/hayloft/kiln").join(job);
    let entries = fs::read_dir(folder).unwrap();
    entries
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect()
}

#[test]
fn a_far_drive_that_fills_up_in_the_middle_is_a_full_drive_and_keeps_what_it_had() {
    let Some((world, server)) = world_with_drive() else {
        return;
    };
    server.pin(&world);
    // the world's own drive, of 40 MB, is the far disk
    let far = world.drive().join("far");
    server.write_drive(&world, HAY, &far);
    for kind in ["history", "mirror", "archive"] {
        world.run(&["--clock", "2026-11-25T02:30:00Z", "run", kind], 0);
    }
    // a byte takes a block of 4 KiB: what is measured fits, what is written does not
    let many = world.source().join("many");
    fs::create_dir(&many).unwrap();
    for number in 0..12_000 {
        fs::write(many.join(number.to_string()), "x").unwrap();
    }
    for kind in ["history", "mirror"] {
        let run = world.run_json(&["--clock", "2026-11-26T02:30:00Z", "run", kind], 1);
        assert_eq!(run["outcome"], "drive-full", "{} {run}", run["reason"]);
    }
    let back = world.path("back");
    world.run(
        &[
            "restore",
            "history",
            "--from",
            "20261125T023000Z",
            "--to",
            back.to_str().unwrap(),
        ],
        0,
    );
    let order = within(&back, &world.source()).join("order");
    assert_eq!(fs::read_to_string(order).unwrap(), "two bowls");
    fs::remove_dir_all(many).unwrap();
    // the mirror first: what it holds of the night that filled the drive goes with its source
    for kind in ["mirror", "history", "archive"] {
        world.run(&["--clock", "2026-11-27T02:30:00Z", "run", kind], 0);
    }
}

#[test]
fn a_far_folder_that_cannot_be_read_is_never_taken_for_an_empty_one() {
    let Some((world, server)) = world_with_drive() else {
        return;
    };
    server.pin(&world);
    world.run(&["--clock", "2026-11-25T02:30:00Z", "run", "history"], 0);
    let copies = world.path("far/hayloft/kiln/history");
    ok(Command::new("chown").arg("-R").arg("root").arg(&copies));
    // a home folder that is missing is told in the words of a folder that is missing
    let run = world.run_json(&["--clock", "2026-11-26T02:30:00Z", "run", "history"], 1);
    assert_eq!(run["outcome"], "failed", "{run}");
    let reason = run["reason"].as_str().unwrap();
    assert!(reason.contains("cannot read"), "{reason}");
    assert_eq!(run["steps"].as_array().unwrap().len(), 0, "{run}");
    ok(Command::new("chown").arg("-R").arg(HAY).arg(&copies));
    let run = world.run_json(&["--clock", "2026-11-27T02:30:00Z", "run", "history"], 0);
    assert_eq!(run["changes"]["created"], 0, "{run}");
}
