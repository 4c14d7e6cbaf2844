//! `archive` on a local drive: it holds everything, and other programs read what is written.

use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use crate::kinds_trees::{Allowing, assert_same, make_tricky, within};
use crate::world::{World, ok};

const ARCHIVE: &str = "kind = \"archive\"\nsource = [\"{dir}/source\"]\ndrive = \"shelf\"\n";

fn run_archive(world: &World) -> PathBuf {
    world.job("orders", ARCHIVE);
    world.run(&["--clock", "2026-11-25T02:30:00Z", "run", "orders"], 0);
    world.copies("orders").join("20261125T023000Z.tar.zst")
}

#[test]
fn an_archive_brings_everything_back_but_sockets() {
    let Some(world) = World::new(150) else { return };
    make_tricky(&world.source());
    run_archive(&world);
    let back = world.path("back");
    world.run(&["restore", "orders", "--to", back.to_str().unwrap()], 0);
    let back = within(&back, &world.source());
    assert_same(&world.source(), &back, Allowing::NoSockets);
}

#[test]
fn the_plan_says_that_sockets_stay_out() {
    let Some(world) = World::new(40) else { return };
    world.job("orders", ARCHIVE);
    let shown = world.run(&["run", "orders", "--dry-run"], 0);
    assert!(shown.out.contains("sockets stay out"), "{}", shown.out);
}

/// What libarchive 3.6 itself does not bring back is left out of the tree: names that are not UTF-8 (its
/// pax reader converts them), an ACL that names an account beside a bare number, and fractions of a
/// second before 1970.
#[test]
fn bsdtar_brings_an_archive_back_with_everything_in_it() {
    let Some(world) = World::new(150) else { return };
    make_tricky(&world.source());
    let source = world.source();
    for name in ["names", "zeros"] {
        ok(Command::new("rm").arg("-r").arg(source.join(name)));
    }
    fs::remove_file(source.join("link-newline")).unwrap();
    ok(Command::new("setfacl")
        .args(["-x", "u:daemon"])
        .arg(source.join("with-acl")));
    let archive = run_archive(&world);
    let back = world.path("back");
    fs::create_dir(&back).unwrap();
    ok(Command::new("bsdtar")
        .env("LC_ALL", "C.UTF-8")
        .args(["-x", "-p", "--acls", "--xattrs", "--numeric-owner", "-f"])
        .arg(archive)
        .arg("-C")
        .arg(&back));
    assert_same(&source, &within(&back, &source), Allowing::FilledHoles);
}

#[test]
fn python_reads_an_archive_member_by_member() {
    let Some(world) = World::new(150) else { return };
    make_tricky(&world.source());
    let archive = run_archive(&world);
    assert_eq!(
        read_by_python(&expanded(&world, &archive), &world.source()),
        ""
    );
}

/// The tar file within, made by the program zstd.
fn expanded(world: &World, archive: &Path) -> PathBuf {
    let tar = world.path("expanded.tar");
    ok(Command::new("zstd")
        .args(["-q", "-d", "-f"])
        .arg(archive)
        .arg("-o")
        .arg(&tar));
    tar
}

fn read_by_python(tar: &Path, source: &Path) -> String {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/it/read_archive.py");
    let out = ok(Command::new("python3")
        .arg(script)
        .arg(source)
        .stdin(Stdio::from(File::open(tar).unwrap())));
    String::from_utf8_lossy(&out.stdout).into_owned()
}

#[test]
fn folders_above_the_source_come_back_with_their_modes() {
    use std::os::unix::fs::PermissionsExt;
    let Some(world) = World::new(40) else { return };
    world.write_source("private/within/order", "two bowls");
    let private = world.source().join("private");
    fs::set_permissions(&private, fs::Permissions::from_mode(0o700)).unwrap();
    world.write_source("private/beside", "not asked for");
    for kind in ["archive", "history", "mirror"] {
        let text = format!(
            "kind = \"{kind}\"\nsource = [\"{{dir}}/source/private/within\"]\ndrive = \"shelf\"\n"
        );
        world.job(kind, &text);
        world.run(&["run", kind], 0);
        let back = world.path(kind);
        world.run(&["restore", kind, "--to", back.to_str().unwrap()], 0);
        let private = within(&back, &private);
        let mode = fs::metadata(&private).unwrap().permissions().mode() & 0o7777;
        assert_eq!(mode, 0o700, "{kind}");
        assert!(private.join("within/order").exists(), "{kind}");
        assert!(!private.join("beside").exists(), "{kind}");
    }
}
