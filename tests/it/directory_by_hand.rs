//! The text on the drive brings a directory service back without hayloft, typed as it stands.

use std::fs;
use std::path::Path;
use std::process::Command;
use std::sync::PoisonError;

use crate::directory_server::{DirectoryServer, SUFFIX};
use crate::read_me_first::{RESTORE, RestoreFolder, commands};
use crate::world::{Shown, World, ok};

#[test]
fn the_text_on_the_drive_loads_a_directory_by_hand() {
    let _one = RESTORE.lock().unwrap_or_else(PoisonError::into_inner);
    let Some(world) = World::new(64) else { return };
    let _folder = RestoreFolder::new();
    let Some(server) = DirectoryServer::new(&world, 60) else {
        return;
    };
    server.job(&world);
    world.run(&["run", "accounts"], 0);
    let exported = (
        server.slapcat(&["-b", SUFFIX]),
        server.slapcat(&["-n", "0"]),
    );
    let person = format!("uid=p1,ou=people,{SUFFIX}");
    ok(&mut server.ldap("ldapdelete", &[&person]));
    let text = fs::read_to_string(world.drive().join("hayloft/READ-ME-FIRST.txt")).unwrap();
    let (opened, placed) = text.split_once("4. Put it in its place").unwrap();
    let script = format!(
        "set -e -o pipefail\nmount --make-rslave /\nmount -t tmpfs tmpfs /restore\n{}\n{}\n",
        commands(opened),
        commands(placed).replace("echo ", "")
    );
    fs::write(world.path("script"), &script).unwrap();
    let here = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/it");
    let typed = Command::new("python3")
        .arg(here.join("at_a_terminal.py"))
        .args([
            "glaze over ash",
            "unshare",
            "-m",
            "--propagation",
            "slave",
            "bash",
        ])
        .arg(world.path("script"))
        .output()
        .unwrap();
    let shown = Shown::of(&typed);
    assert_eq!(
        shown.exit,
        Some(0),
        "{script}\n{}\n{}",
        shown.out,
        shown.errors
    );
    assert!(server.answers());
    let back = (
        server.slapcat(&["-b", SUFFIX]),
        server.slapcat(&["-n", "0"]),
    );
    assert_eq!(back, exported);
    assert!(server.folder.join("data.before/data.mdb").exists());
}
