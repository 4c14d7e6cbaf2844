//! An archive has two manifests: of the file itself, for whoever has no key; and of what is in it.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use hayloft::prove::manifest::EntryKind;

use crate::kinds_trees::make_tricky;
use crate::manifest_kinds::{NIGHTS, assert_tells_of, entries, remove_patterns, run_at, sha256sum};
use crate::world::{World, ok};

const ARCHIVE: &str = "kind = \"archive\"\nsource = [\"{dir}/source\"]\ndrive = \"shelf\"\n";

/// The commands that the heading of a manifest tells, typed where it lies.
fn commands(manifest: &Path) -> Vec<String> {
    let text = fs::read_to_string(manifest).unwrap();
    let lines = text.lines().filter_map(|line| line.strip_prefix("#   "));
    lines.map(ToOwned::to_owned).collect()
}

fn typed(folder: &Path, commands: &[String]) -> (String, Option<i32>) {
    let script = commands.join("\n");
    let out = Command::new("sh")
        .args(["-e", "-c", &script])
        .env("TZ", "UTC")
        .current_dir(folder)
        .output()
        .unwrap();
    let said = [out.stdout, out.stderr].concat();
    (
        String::from_utf8_lossy(&said).into_owned(),
        out.status.code(),
    )
}

fn unpacked(world: &World, pipeline: &str) -> PathBuf {
    let folder = world.path("unpacked");
    let _ = fs::remove_dir_all(&folder);
    fs::create_dir(&folder).unwrap();
    let script = format!(
        "{pipeline} | tar -C {} --delay-directory-restore --numeric-owner -xpf -",
        folder.display()
    );
    ok(Command::new("bash").args(["-e", "-o", "pipefail", "-c", &script]));
    folder
}

#[test]
fn the_manifest_of_an_archive_tells_length_and_digest_of_the_file() {
    let Some(world) = World::new(60) else { return };
    world.job("orders", ARCHIVE);
    world.write_source("order", "two bowls");
    run_at(&world, 0, "orders");
    let folder = world.copies("orders");
    let name = format!("{}.tar.zst", NIGHTS[0]);
    let manifest = folder.join(format!("{}.mtree", NIGHTS[0]));
    let told = entries(&manifest);
    assert_eq!(told.len(), 2);
    let EntryKind::File { size, digest } = told[name.as_bytes()].kind else {
        panic!()
    };
    assert_eq!(size, fs::metadata(folder.join(&name)).unwrap().len());
    assert_eq!(digest.unwrap().to_string(), sha256sum(&folder.join(&name)));
    let check = &commands(&manifest)[..1];
    assert_eq!(typed(&folder, check), (format!("{name}: OK\n"), Some(0)));
    let mut bytes = fs::read(folder.join(&name)).unwrap();
    bytes[40] ^= 1;
    fs::write(folder.join(&name), bytes).unwrap();
    let (said, status) = typed(&folder, check);
    assert!(
        said.contains(&format!("{name}: FAILED")) && status != Some(0),
        "{said}"
    );
}

#[test]
fn the_manifest_of_what_is_in_an_archive_tells_what_tar_unpacks() {
    let Some(world) = World::new(150) else { return };
    world.job("orders", ARCHIVE);
    make_tricky(&world.source());
    run_at(&world, 0, "orders");
    let folder = world.copies("orders");
    let archive = folder.join(format!("{}.tar.zst", NIGHTS[0]));
    let manifest = folder.join(format!("{}.contents.mtree", NIGHTS[0]));
    let tree = unpacked(&world, &format!("zstd -dc {}", archive.display()));
    assert_tells_of(&manifest, &tree);
    let mut there = world.entries("orders");
    there.sort();
    let names = ["contents.mtree", "mtree", "tar.zst"].map(|end| format!("{}.{end}", NIGHTS[0]));
    assert_eq!(
        there,
        [&names[..], &["catalogue.jsonl".to_owned()]].concat()
    );
}

#[test]
fn the_commands_in_the_heading_unpack_an_archive_and_find_no_difference() {
    let Some(world) = World::new(150) else { return };
    world.job("orders", ARCHIVE);
    make_tricky(&world.source());
    remove_patterns(&world.source());
    run_at(&world, 0, "orders");
    let folder = world.copies("orders");
    let manifest = folder.join(format!("{}.contents.mtree", NIGHTS[0]));
    let (said, status) = typed(&folder, &commands(&manifest)[..4]);
    // tar wonders at the odd times of this tree
    let said: Vec<&str> = said
        .lines()
        .filter(|line| !line.starts_with("tar: "))
        .collect();
    assert_eq!((said, status), (Vec::new(), Some(0)));
}

#[test]
fn beside_a_closed_archive_no_name_and_no_digest_of_what_is_in_it_lies_in_the_clear() {
    let Some(world) = World::new(150) else { return };
    let key = world.path("key.txt");
    ok(Command::new("age-keygen").arg("-o").arg(&key));
    let public = ok(Command::new("age-keygen").arg("-y").arg(&key));
    let public = String::from_utf8(public.stdout).unwrap();
    world.job(
        "orders",
        &format!(
            "{ARCHIVE}encrypt = {{ recipients = [\"{}\"] }}\n",
            public.trim()
        ),
    );
    make_tricky(&world.source());
    run_at(&world, 0, "orders");
    let folder = world.copies("orders");
    let name = |end: &str| folder.join(format!("{}.{end}", NIGHTS[0]));
    let check = &commands(&name("mtree"))[..1];
    assert_eq!(
        typed(&folder, check),
        (format!("{}.tar.zst.age: OK\n", NIGHTS[0]), Some(0))
    );
    for entry in world.entries("orders") {
        let bytes = fs::read(folder.join(&entry)).unwrap();
        let tells = bytes.windows(9).any(|window| window == b"glaze.txt");
        assert!(!tells, "{entry}");
    }
    let open = |end: &str| format!("age -d -i {} {}", key.display(), name(end).display());
    let tree = unpacked(&world, &format!("{} | zstd -dc", open("tar.zst.age")));
    let manifest = world.path("opened.mtree");
    let script = format!("{} > {}", open("contents.mtree.age"), manifest.display());
    ok(Command::new("bash").args(["-e", "-c", &script]));
    assert_tells_of(&manifest, &tree);
    // what passed through this server's own folders is gone
    let left = ok(Command::new("find")
        .arg(world.state().join("indexes"))
        .args(["-type", "f"]));
    assert_eq!(String::from_utf8_lossy(&left.stdout), "");
}

#[test]
fn sources_in_any_order_are_told_folder_by_folder() {
    let Some(world) = World::new(60) else { return };
    for name in [
        "b/z/order",
        "b/a",
        "a/lid",
        "c d/deep/er/jug",
        "b-side/x",
        "empty/place/x",
    ] {
        world.write_source(name, name);
    }
    fs::remove_file(world.source().join("empty/place/x")).unwrap();
    let sources = ["b", "c d/deep/er", "a", "empty/place", "b-side"]
        .map(|name| format!("\"{{dir}}/source/{name}\""));
    world.job(
        "orders",
        &format!(
            "kind = \"archive\"\nsource = [{}]\ndrive = \"shelf\"\n",
            sources.join(", ")
        ),
    );
    run_at(&world, 0, "orders");
    let folder = world.copies("orders");
    let archive = folder.join(format!("{}.tar.zst", NIGHTS[0]));
    let tree = unpacked(&world, &format!("zstd -dc {}", archive.display()));
    assert_tells_of(&folder.join(format!("{}.contents.mtree", NIGHTS[0])), &tree);
}

#[test]
fn a_retired_generation_takes_its_manifests_with_it() {
    let Some(world) = World::new(60) else { return };
    world.write_source("order", "two bowls");
    world.secret("passphrase", "ash glaze\n");
    let keep = "[[keep]]\nevery = \"1 day\"\nfor = \"1 day\"\n";
    let closed = "encrypt = { passphrase_file = \"{dir}/config/passphrase\" }\n";
    let history = ARCHIVE.replace("archive", "history");
    let jobs = [
        ("plain", format!("{ARCHIVE}{keep}"), 3),
        ("closed", format!("{ARCHIVE}{closed}{keep}"), 3),
        ("tree", format!("{history}{keep}"), 2),
    ];
    for (name, text, each) in jobs {
        world.job(name, &text);
        for night in 0..4 {
            run_at(&world, night, name);
        }
        let there = world.entries(name);
        let of = |night: usize| {
            there
                .iter()
                .filter(|entry| entry.starts_with(&format!("202611{}", 25 + night)))
                .count()
        };
        assert_eq!((of(0), of(1), of(3)), (0, 0, each), "{there:?}");
        assert!(
            !there.iter().any(|entry| entry.ends_with("partial")),
            "{there:?}"
        );
    }
}

#[test]
fn manifests_that_were_left_alone_and_half_written_ones_are_removed() {
    let Some(world) = World::new(60) else { return };
    world.write_source("order", "two bowls");
    world.job("orders", ARCHIVE);
    let folder = world.copies("orders");
    fs::create_dir_all(&folder).unwrap();
    let names = [
        "mtree",
        "contents.mtree",
        "contents.mtree.age",
        "contents.mtree.partial",
        "mtree.partial",
    ];
    for end in names {
        fs::write(folder.join(format!("20261101T023000Z.{end}")), "").unwrap();
    }
    fs::write(folder.join("current.mtree"), "").unwrap();
    fs::write(folder.join("current.mtree.partial"), "").unwrap();
    run_at(&world, 0, "orders");
    let there = world.entries("orders");
    assert_eq!(there.len(), 4, "{there:?}");
}
