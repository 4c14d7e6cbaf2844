//! An export is loaded into a slapd of its own, and compared; the live one never notices.

use std::fs;

use crate::directory_server::{DirectoryServer, PASSWORD, SUFFIX};
use crate::world::{World, ok};

#[test]
fn a_rehearsal_loads_the_export_logs_in_and_finds_it_the_same_beside_the_live_service() {
    let Some(world) = World::new(64) else { return };
    let Some(server) = DirectoryServer::new(&world, 2000) else {
        return;
    };
    world.secret("ines", &format!("{PASSWORD}\n"));
    let login = format!(
        "login = {{ dn = \"uid=p8,ou=people,{SUFFIX}\", password_file = \"{{dir}}/config/ines\" }}\n"
    );
    server.job_with(&world, &login);
    world.run(&["run", "accounts"], 0);
    let before = server.slapcat(&["-b", SUFFIX]);
    let shown = world.run(&["rehearse", "accounts"], 0);
    let entries = before.matches("entryUUID: ").count();
    let words = format!("{},{:03} entries", entries / 1000, entries % 1000);
    eprintln!("{}", shown.out);
    assert!(shown.out.contains("the same"), "{} {words}", shown.out);
    let run = world.run_json(&["runs", "--job", "accounts"], 0);
    eprintln!("{run}");
    assert!(server.answers());
    assert_eq!(server.slapcat(&["-b", SUFFIX]), before);
    assert_eq!(world.processes(), Vec::<String>::new());
    let mounts = fs::read_to_string("/proc/self/mounts").unwrap();
    assert!(!mounts.contains("/run/hayloft"), "{mounts}");

    // a password that no longer fits is found out
    ok(&mut server.ldap(
        "ldappasswd",
        &["-s", "another", &format!("uid=p8,ou=people,{SUFFIX}")],
    ));
    world.run(&["run", "accounts"], 0);
    let shown = world.run(&["rehearse", "accounts"], 1);
    assert!(shown.out.contains("Invalid credentials"), "{}", shown.out);
}

#[test]
fn a_rehearsal_without_room_says_so_and_leaves_nothing() {
    let Some(world) = World::new(64) else { return };
    let Some(server) = DirectoryServer::new(&world, 400) else {
        return;
    };
    server.job(&world);
    world.run(&["run", "accounts"], 0);
    let shown = world.run(&["rehearse", "accounts", "--space", "1 MB"], 1);
    assert!(shown.out.contains("--space"), "{}", shown.out);
    assert!(server.answers());
    assert_eq!(world.processes(), Vec::<String>::new());
}
