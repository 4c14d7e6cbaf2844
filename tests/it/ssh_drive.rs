//! All three kinds to a drive on another host, as root there and as an unprivileged account, and back.

use std::path::{Path, PathBuf};
use std::process::Command;

use crate::kinds_trees::{Allowing, assert_same, edit_tricky, make_tricky, reference_copy, within};
use crate::ssh_server::{HAY, Server};
use crate::world::{World, ok};

/// A folder name that every shell would split, expand or misread.
const ODD: &str = "it's \"hay\" $HOME `x`;& \\n ~";

fn job(kind: &str) -> String {
    format!("kind = \"{kind}\"\nsource = [\"{{dir}}/source\"]\ndrive = \"barn\"\n")
}

fn run_at(world: &World, night: u32, job: &str) {
    let clock = format!("2026-11-{}T02:30:00Z", 25 + night);
    world.run(&["--clock", &clock, "run", job], 0);
}

fn restored(world: &World, job: &str, more: &[&str], to: &str) -> PathBuf {
    let back = world.path(to);
    let words = ["restore", job, "--to", back.to_str().unwrap()];
    world.run(&[&words[..], more].concat(), 0);
    within(&back, &world.source())
}

fn world_with_drive(user: &str) -> Option<(World, Server)> {
    let world = World::new(60)?;
    let server = Server::start(&world)?;
    server.pin(&world);
    server.write_drive(&world, user, &world.path("far").join(ODD));
    make_tricky(&world.source());
    Some((world, server))
}

fn history_comes_back_exactly(user: &str) {
    let Some((world, _server)) = world_with_drive(user) else {
        return;
    };
    world.job("offsite", &job("history"));
    let mut references = Vec::new();
    for night in 0..4 {
        if night > 0 {
            edit_tricky(&world.source(), night);
        }
        references.push(reference_copy(&world, &format!("reference-{night}")));
        run_at(&world, night, "offsite");
    }
    for (night, reference) in references.iter().enumerate() {
        let from = format!("202611{}T023000Z", 25 + night);
        let back = restored(
            &world,
            "offsite",
            &["--from", &from],
            &format!("back-{night}"),
        );
        assert_same(reference, &back, Allowing::Nothing);
    }
}

#[test]
fn history_as_root_there_comes_back_exactly_from_every_night() {
    history_comes_back_exactly("root");
}

#[test]
fn history_as_an_unprivileged_account_comes_back_exactly_from_every_night() {
    history_comes_back_exactly(HAY);
}

fn mirror_comes_back_exactly(user: &str) {
    let Some((world, _server)) = world_with_drive(user) else {
        return;
    };
    world.job("offsite", &job("mirror"));
    for night in 0..4 {
        if night > 0 {
            edit_tricky(&world.source(), night);
        }
        run_at(&world, night, "offsite");
    }
    let back = restored(&world, "offsite", &[], "back");
    assert_same(&world.source(), &back, Allowing::Nothing);
}

#[test]
fn a_mirror_as_root_there_comes_back_exactly() {
    mirror_comes_back_exactly("root");
}

#[test]
fn a_mirror_as_an_unprivileged_account_comes_back_exactly() {
    mirror_comes_back_exactly(HAY);
}

#[test]
fn a_closed_archive_comes_back_exactly_from_either_account() {
    for user in ["root", HAY] {
        let Some((world, _server)) = world_with_drive(user) else {
            return;
        };
        world.secret("passphrase", "ash glaze\n");
        let encrypt = "encrypt = { passphrase_file = \"{dir}/config/passphrase\" }\n";
        world.job("offsite", &(job("archive") + encrypt));
        run_at(&world, 0, "offsite");
        let back = restored(&world, "offsite", &[], "back");
        assert_same(&world.source(), &back, Allowing::NoSockets);
    }
}

#[test]
fn a_name_with_wildcards_brings_back_that_file_and_no_other() {
    let Some((world, _server)) = world_with_drive(HAY) else {
        return;
    };
    for name in ["[ab]x", "ax", "star*", "starling"] {
        world.write_source(&format!("wild/{name}"), name);
    }
    for kind in ["history", "mirror", "archive"] {
        world.job("offsite", &job(kind));
        run_at(&world, 0, "offsite");
        for name in ["[ab]x", "star*"] {
            let path = world.source().join("wild").join(name);
            let to = format!("{kind}-{name}");
            let back = restored(&world, "offsite", &[path.to_str().unwrap()], &to).join("wild");
            assert!(back.join(name).exists(), "{kind} {name}");
            assert_eq!(std::fs::read_dir(back).unwrap().count(), 1, "{kind} {name}");
        }
        std::fs::remove_dir_all(far_copies(&world)).unwrap();
        std::fs::remove_dir_all(world.state().join("runs")).ok();
    }
}

#[test]
fn an_unchanged_night_shares_every_file_over_ssh() {
    for user in ["root", HAY] {
        let Some((world, _server)) = world_with_drive(user) else {
            return;
        };
        world.job("offsite", &job("history"));
        run_at(&world, 0, "offsite");
        let words = ["--clock", "2026-11-26T02:30:00Z", "run", "offsite"];
        let second = world.run_json(&words, 0);
        for key in ["created", "changed", "vanished", "new_bytes"] {
            assert_eq!(second["changes"][key], 0, "{user} {key}: {second}");
        }
        let tree = far_copies(&world).join("20261126T023000Z");
        let single = ok(Command::new("find")
            .arg(tree)
            .args(["-type", "f", "-links", "1"]));
        assert_eq!(String::from_utf8_lossy(&single.stdout), "", "{user}");
    }
}

#[test]
fn old_generations_are_retired_over_ssh_and_the_newest_stays() {
    let Some((world, _server)) = world_with_drive(HAY) else {
        return;
    };
    world.job(
        "offsite",
        &(job("history") + "[[keep]]\nevery = \"1 day\"\nfor = \"2 days\"\n"),
    );
    for night in 0..5 {
        run_at(&world, night, "offsite");
    }
    let there = ok(Command::new("ls").arg(far_copies(&world)));
    let there = String::from_utf8_lossy(&there.stdout).into_owned();
    assert!(
        there.contains("20261129T023000Z") && !there.contains("20261125T023000Z"),
        "{there}"
    );
    assert!(!there.contains("partial"), "{there}");
}

fn far_copies(world: &World) -> PathBuf {
    Path::new(&world.path("far"))
        .join(ODD)
        .join("hayloft/kiln/offsite")
}
