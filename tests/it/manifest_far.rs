//! Copies on another host have manifests too, with digests that were worked out here.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use hayloft::prove::manifest::EntryKind;

use crate::kinds_trees::{edit_tricky, make_tricky};
use crate::manifest_kinds::{
    NIGHTS, assert_tells_of, entries, mtree, read_by, remove_patterns, run_at, sha256sum,
};
use crate::ssh_server::{HAY, Server};
use crate::world::{World, ok};

const SOURCE: &str = "what the source has new";

fn job(kind: &str) -> String {
    format!("kind = \"{kind}\"\nsource = [\"{{dir}}/source\"]\ndrive = \"barn\"\n")
}

fn world_with_drive(user: &str) -> Option<(World, Server)> {
    let world = World::new(60)?;
    let server = Server::start(&world)?;
    server.pin(&world);
    server.write_drive(&world, user, &world.path("it's far"));
    Some((world, server))
}

fn far(world: &World, job: &str) -> PathBuf {
    world.path("it's far").join("hayloft/kiln").join(job)
}

/// What is written just before a copy begins might be written to while it is made.
fn settle() {
    std::thread::sleep(std::time::Duration::from_millis(3100));
}

#[test]
fn as_root_there_the_manifest_tells_what_lies_there() {
    let Some((world, _server)) = world_with_drive("root") else {
        return;
    };
    make_tricky(&world.source());
    remove_patterns(&world.source());
    for (kind, entry) in [("history", ""), ("mirror", "current")] {
        world.job(kind, &job(kind));
        for (night, name) in NIGHTS.iter().enumerate() {
            if night > 0 && kind == "history" {
                edit_tricky(&world.source(), u32::try_from(night).unwrap());
            }
            settle();
            run_at(&world, night, kind);
            let entry = if entry.is_empty() { name } else { entry };
            let tree = far(&world, kind).join(entry);
            let manifest = far(&world, kind).join(format!("{entry}.mtree"));
            assert_tells_of(&manifest, &tree);
            assert_eq!(mtree(&tree, &manifest), "", "{kind}");
        }
    }
}

#[test]
fn as_an_unprivileged_account_there_the_manifest_tells_what_is_brought_back() {
    let Some((world, _server)) = world_with_drive(HAY) else {
        return;
    };
    make_tricky(&world.source());
    settle();
    for (kind, entry) in [("history", NIGHTS[0]), ("mirror", "current")] {
        world.job(kind, &job(kind));
        run_at(&world, 0, kind);
        let back = world.path(kind);
        world.run(&["restore", kind, "--to", back.to_str().unwrap()], 0);
        let manifest = far(&world, kind).join(format!("{entry}.mtree"));
        assert_tells_of(&manifest, &back);
        let text = fs::read_to_string(&manifest).unwrap();
        assert!(
            text.contains("rsync -M--fake-super") && text.contains("mtree -p BACK"),
            "{text}"
        );
    }
}

#[test]
fn only_what_something_happened_to_is_read_for_the_next_night() {
    let Some((world, _server)) = world_with_drive("root") else {
        return;
    };
    for number in 0..50 {
        world.write_source(&format!("{number}"), format!("bowl {number}"));
    }
    settle();
    for kind in ["history", "mirror"] {
        world.job(kind, &job(kind));
        assert_eq!(read_by(&run_at(&world, 0, kind), SOURCE), 50, "{kind}");
        assert_eq!(read_by(&run_at(&world, 1, kind), SOURCE), 0, "{kind}");
    }
    world.write_source("7", "a jug now");
    settle();
    for kind in ["history", "mirror"] {
        let record = run_at(&world, 2, kind);
        assert_eq!(read_by(&record, SOURCE), 1, "{kind}");
        assert_eq!(
            record["notes"].to_string().matches("digest").count(),
            0,
            "{record}"
        );
    }
    assert_tells_of(
        &far(&world, "mirror").join("current.mtree"),
        &far(&world, "mirror").join("current"),
    );
}

#[test]
fn what_changes_while_the_copy_is_made_has_no_digest_and_is_told() {
    let Some((world, _server)) = world_with_drive("root") else {
        return;
    };
    world.write_source("still", "two bowls");
    world.write_source("changing", "one");
    settle();
    world.job("orders", &job("history"));
    // a step before the copy writes while it is made: it is done with when rsync is
    let slow = format!(
        "#!/bin/sh\ncase \"$*\" in *--dry-run*) exec /usr/bin/rsync \"$@\" ;; esac\n/usr/bin/rsync \"$@\" || exit\n\
        echo two > {0}/changing\necho new > {0}/new\n",
        world.source().display()
    );
    fs::create_dir_all(world.path("bin")).unwrap();
    fs::write(world.path("bin/rsync"), slow).unwrap();
    ok(Command::new("chmod")
        .arg("755")
        .arg(world.path("bin/rsync")));
    let record = run_at(&world, 0, "orders");
    let notes = record["notes"].to_string();
    assert!(
        notes.contains("2 files changed while the copy was made"),
        "{notes}"
    );
    assert!(notes.contains("names came or went in 1 folder"), "{notes}");
    let told = entries(&far(&world, "orders").join(format!("{}.mtree", NIGHTS[0])));
    let digest = |name: &str| {
        let path = world.source().strip_prefix("/").unwrap().join(name);
        let bytes = std::os::unix::ffi::OsStrExt::as_bytes(path.as_os_str()).to_vec();
        let EntryKind::File { digest, .. } = told[&bytes].kind else {
            panic!()
        };
        digest.map(|digest| digest.to_string())
    };
    assert_eq!(
        digest("still"),
        Some(sha256sum(&world.source().join("still")))
    );
    assert_eq!((digest("changing"), digest("new")), (None, None));
}

#[test]
fn an_archive_there_has_both_manifests_and_nothing_of_them_is_left_here() {
    for user in ["root", HAY] {
        let Some((world, _server)) = world_with_drive(user) else {
            return;
        };
        world.secret("passphrase", "ash glaze\n");
        let closed = "encrypt = { passphrase_file = \"{dir}/config/passphrase\" }\n";
        world.write_source("order", "two bowls");
        for (name, more, end) in [("plain", "", "tar.zst"), ("closed", closed, "tar.zst.age")] {
            world.job(name, &(job("archive") + more));
            run_at(&world, 0, name);
            let archive = format!("{}.{end}", NIGHTS[0]);
            let told = entries(&far(&world, name).join(format!("{}.mtree", NIGHTS[0])));
            let EntryKind::File { size, digest } = told[archive.as_bytes()].kind else {
                panic!()
            };
            let there = far(&world, name).join(&archive);
            assert_eq!(size, fs::metadata(&there).unwrap().len());
            assert_eq!(digest.unwrap().to_string(), sha256sum(&there));
            let left = ok(Command::new("find")
                .arg(world.state().join("indexes"))
                .args(["-type", "f"]));
            assert_eq!(String::from_utf8_lossy(&left.stdout), "");
        }
        let contents = far(&world, "plain").join(format!("{}.contents.mtree", NIGHTS[0]));
        let order = world.source().join("order");
        let told = entries(&contents);
        let path = order.strip_prefix("/").unwrap().as_os_str();
        let EntryKind::File { digest, .. } =
            told[std::os::unix::ffi::OsStrExt::as_bytes(path)].kind
        else {
            panic!()
        };
        assert_eq!(digest.unwrap().to_string(), sha256sum(&order));
        assert!(
            far(&world, "closed")
                .join(format!("{}.contents.mtree.age", NIGHTS[0]))
                .exists()
        );
    }
}

#[test]
fn a_generation_that_is_retired_there_takes_its_manifest_with_it() {
    let Some((world, _server)) = world_with_drive(HAY) else {
        return;
    };
    world.write_source("order", "two bowls");
    world.job(
        "orders",
        &(job("history") + "[[keep]]\nevery = \"1 day\"\nfor = \"1 day\"\n"),
    );
    for night in 0..4 {
        run_at(&world, night, "orders");
    }
    let there = names(&far(&world, "orders"));
    let old = there
        .iter()
        .filter(|name| name.starts_with("20261125") || name.starts_with("20261126"));
    assert_eq!(old.count(), 0, "{there:?}");
    assert!(
        there.contains(&"20261128T023000Z.mtree".to_owned()),
        "{there:?}"
    );
}

fn names(folder: &Path) -> Vec<String> {
    let entries = fs::read_dir(folder).unwrap();
    entries
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect()
}
