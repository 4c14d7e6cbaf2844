//! Archives closed with age: opened by the program `age`, and refused when something is wrong with them.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::kinds_trees::{Allowing, assert_same, make_tricky, within};
use crate::world::{World, ok};

const ARCHIVE: &str = "kind = \"archive\"\nsource = [\"{dir}/source\"]\ndrive = \"shelf\"\n";
const PASSPHRASE: &str = "ash glaze, cone 10";

/// A world with one archive, closed as `encrypt` says, and that archive.
fn sealed(encrypt: &str, fill: impl FnOnce(&World)) -> Option<(World, PathBuf)> {
    let world = World::new(150)?;
    world.secret("passphrase", &format!("{PASSPHRASE}\n"));
    fill(&world);
    world.job("orders", &format!("{ARCHIVE}encrypt = {encrypt}\n"));
    world.run(&["--clock", "2026-11-25T02:30:00Z", "run", "orders"], 0);
    let archive = world.copies("orders").join("20261125T023000Z.tar.zst.age");
    Some((world, archive))
}

const WITH_PASSPHRASE: &str = "{ passphrase_file = \"{dir}/config/passphrase\" }";

/// Opens `archive` with the program age at a terminal, and unpacks it with zstd and tar.
fn open_by_age(world: &World, archive: &Path, with: &str) -> PathBuf {
    let (plain, back) = (world.path("plain.tar.zst"), world.path("by-hand"));
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/it/at_a_terminal.py");
    let mut age = Command::new("python3");
    age.arg(script)
        .arg(PASSPHRASE)
        .args(["age", "-d", "-o"])
        .arg(&plain);
    ok(age.args(with.split_whitespace()).arg(archive));
    fs::create_dir(&back).unwrap();
    ok(Command::new("tar")
        .args(["--zstd", "-xpf"])
        .arg(plain)
        .args(["--xattrs", "--xattrs-include=*", "--numeric-owner", "-C"])
        .arg(&back));
    within(&back, &world.source())
}

#[test]
fn the_program_age_opens_an_archive_with_the_passphrase_typed_at_a_terminal() {
    let Some((world, archive)) = sealed(WITH_PASSPHRASE, |world| make_tricky(&world.source()))
    else {
        return;
    };
    let back = open_by_age(&world, &archive, "");
    assert_same(&world.source(), &back, Allowing::NoSockets);
}

#[test]
fn the_program_age_opens_an_archive_with_a_key_of_age_keygen() {
    let Some((key, _folder)) = keygen() else {
        return;
    };
    let encrypt = format!("{{ recipients = [\"{}\"] }}", key.public);
    let Some((world, archive)) = sealed(&encrypt, |world| make_tricky(&world.source())) else {
        return;
    };
    let back = open_by_age(&world, &archive, &format!("-i {}", key.file.display()));
    assert_same(&world.source(), &back, Allowing::NoSockets);
    let again = world.path("again");
    let words = ["restore", "orders", "--to", again.to_str().unwrap()];
    let refused = world.run(&words, 1);
    assert!((refused.out + &refused.errors).contains("--identity-file"));
    let key = key.file.to_str().unwrap().to_owned();
    world.run(&[&words[..], &["--identity-file", &key]].concat(), 0);
    assert_same(
        &world.source(),
        &within(&again, &world.source()),
        Allowing::NoSockets,
    );
}

struct Key {
    public: String,
    file: PathBuf,
}

fn keygen() -> Option<(Key, tempfile::TempDir)> {
    if !crate::world::can_mount() {
        return None;
    }
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("key.txt");
    ok(Command::new("age-keygen").arg("-o").arg(&file));
    let public = ok(Command::new("age-keygen").arg("-y").arg(&file));
    let public = String::from_utf8(public.stdout).unwrap().trim().to_owned();
    Some((Key { public, file }, folder))
}

/// A restore that must fail: it says `words`, and what was at the target is untouched.
#[track_caller]
fn assert_refused(world: &World, more: &[&str], words: &str) {
    let target = world.path("target");
    let _ = fs::create_dir(&target);
    fs::write(target.join("mine"), "kept").unwrap();
    let shown = world.run(
        &[
            &["restore", "orders", "--to", target.to_str().unwrap()],
            more,
        ]
        .concat(),
        1,
    );
    let said = format!("{}\n{}", shown.out, shown.errors);
    assert!(said.contains(words), "{said}");
    assert_eq!(fs::read_to_string(target.join("mine")).unwrap(), "kept");
    let there = fs::read_dir(&target).unwrap().count();
    assert_eq!(there, 1, "something was written to the target: {said}");
}

fn one_order(world: &World) {
    world.write_source("order", "two bowls");
    // not compressible, so that the archive is longer than one of age's chunks of 64 KiB
    let noise = ok(Command::new("head").args(["-c", "300000", "/dev/urandom"]));
    world.write_source("photograph", noise.stdout);
}

#[test]
fn a_wrong_passphrase_is_told_and_nothing_is_written() {
    let Some((world, _)) = sealed(WITH_PASSPHRASE, one_order) else {
        return;
    };
    world.secret("wrong", "celadon\n");
    let wrong = world.path("config/wrong");
    let more = ["--passphrase-file", wrong.to_str().unwrap()];
    assert_refused(&world, &more, "does not open this archive");
}

#[test]
fn a_flipped_bit_is_told_and_nothing_is_written() {
    for place in [5, 300, 100_000] {
        let Some((world, archive)) = sealed(WITH_PASSPHRASE, one_order) else {
            return;
        };
        let mut bytes = fs::read(&archive).unwrap();
        bytes[place] ^= 0x10;
        fs::write(&archive, bytes).unwrap();
        assert_refused(&world, &[], " archive");
    }
}

#[test]
fn an_archive_that_was_cut_off_is_told_and_nothing_is_written() {
    for length in [0, 100, 70_000, 300_000] {
        let Some((world, archive)) = sealed(WITH_PASSPHRASE, one_order) else {
            return;
        };
        let file = fs::OpenOptions::new().write(true).open(&archive).unwrap();
        file.set_len(length).unwrap();
        assert_refused(&world, &[], "damaged, cut off, or not made by age");
    }
}

#[test]
fn damage_to_a_plain_archive_is_told_and_nothing_is_written() {
    let Some(world) = World::new(40) else { return };
    one_order(&world);
    world.job("orders", ARCHIVE);
    world.run(&["--clock", "2026-11-25T02:30:00Z", "run", "orders"], 0);
    let archive = world.copies("orders").join("20261125T023000Z.tar.zst");
    let whole = fs::read(&archive).unwrap();
    let mut flipped = whole.clone();
    flipped[150_000] ^= 1;
    for damaged in [&flipped[..], &whole[..150_000], b"", b"rubbish"] {
        fs::write(&archive, damaged).unwrap();
        assert_refused(&world, &[], "zstd");
    }
}
