//! Exports of a real directory service, with everything that LDIF can hold.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::process::Command;

use crate::directory_server::{DirectoryServer, SUFFIX};
use crate::world::{World, ok};

#[test]
fn an_export_of_a_running_directory_holds_every_entry_as_slapcat_tells_it() {
    let Some(world) = World::new(64) else { return };
    let Some(server) = DirectoryServer::new(&world, 2000) else {
        return;
    };
    server.job(&world);
    world.run(&["run", "accounts"], 0);
    let names = world.entries("accounts");
    let ends = ["Z.contents.mtree.age", "Z.mtree", "Z.tar.zst.age"];
    assert!(
        ends.iter()
            .all(|end| names.iter().any(|name| name.ends_with(end))),
        "{names:?}"
    );
    let mode = |name: &str| {
        let found = fs::metadata(world.copies("accounts").join(name)).unwrap();
        found.permissions().mode() & 0o777
    };
    let archive = names
        .iter()
        .find(|name| name.ends_with("Z.tar.zst.age"))
        .unwrap();
    assert_eq!(mode(archive), 0o600);
    let back = world.path("back");
    world.run(&["restore", "accounts", "--to", back.to_str().unwrap()], 0);
    let exported = fs::read_to_string(back.join(format!("{SUFFIX}.ldif"))).unwrap();
    let unfolded = exported.replace("\n ", "");
    assert_eq!(unfolded, server.slapcat(&["-b", SUFFIX]));
    let config = fs::read_to_string(back.join("config.ldif")).unwrap();
    assert_eq!(config.replace("\n ", ""), server.slapcat(&["-n", "0"]));
    assert!(exported.contains("userPassword:: ") && exported.contains("entryCSN: "));
    let list = fs::read(back.join("export.json")).unwrap();
    let list: serde_json::Value = serde_json::from_slice(&list).unwrap();
    let entries = server
        .slapcat(&["-b", SUFFIX])
        .matches("\nentryUUID:")
        .count();
    assert_eq!(list["members"][1]["count"]["amount"], entries);
    assert_eq!(list["told"]["version"], version());
    let runs = world
        .run_json(&["runs", "--job", "accounts"], 0)
        .to_string();
    let id = world.run(&["runs", "--job", "accounts"], 0).out;
    assert!(runs.contains("accounts") && !id.is_empty());
}

/// As Debian's package tells it.
fn version() -> String {
    let out = ok(Command::new("dpkg-query").args(["-W", "-f", "${Version}", "slapd"]));
    let text = String::from_utf8(out.stdout).unwrap();
    text.split(['+', '-']).next().unwrap().to_owned()
}
