//! `archive` on a local drive: other programs read what is written, and it holds everything.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use crate::kinds_trees::{
    Allowing, assert_same, make_tricky, rsync_differences, walk_differences, within,
};
use crate::world::{Shown, World, ok};

const ARCHIVE: &str = "kind = \"archive\"\nsource = [\"{dir}/source\"]\ndrive = \"shelf\"\n";
const NIGHT: [&str; 2] = ["--clock", "2026-11-25T02:30:00Z"];
const PASSPHRASE: &str = "ash glaze, cone 10";

fn run_archive(world: &World, more: &str) -> PathBuf {
    world.job("orders", &format!("{ARCHIVE}{more}"));
    world.run(&[&NIGHT[..], &["run", "orders"]].concat(), 0);
    let end = if more.contains("encrypt") {
        "tar.zst.age"
    } else {
        "tar.zst"
    };
    world
        .copies("orders")
        .join(format!("20261125T023000Z.{end}"))
}

fn restored(world: &World, more: &[&str]) -> PathBuf {
    let back = world.path("back");
    let arguments = [&["restore", "orders", "--to", back.to_str().unwrap()], more].concat();
    world.run(&arguments, 0);
    within(&back, &world.source())
}

#[test]
fn an_archive_brings_everything_back_but_sockets_and_says_so() {
    let Some(world) = World::new(150) else { return };
    make_tricky(&world.source());
    world.job("orders", ARCHIVE);
    let shown = world.run(&[&NIGHT[..], &["run", "orders"]].concat(), 0);
    assert!(shown.out.contains("socket"), "{}", shown.out);
    assert_same(&world.source(), &restored(&world, &[]), Allowing::NoSockets);
}

#[test]
fn bsdtar_reads_an_archive_with_everything_in_it() {
    let Some(world) = World::new(150) else { return };
    make_tricky(&world.source());
    let archive = run_archive(&world, "");
    let back = world.path("back");
    fs::create_dir(&back).unwrap();
    ok(Command::new("bsdtar")
        .args(["-x", "-p", "--acls", "--xattrs", "--numeric-owner", "-f"])
        .arg(archive)
        .arg("-C")
        .arg(&back));
    let back = within(&back, &world.source());
    assert_same(&world.source(), &back, Allowing::FilledHoles);
}
