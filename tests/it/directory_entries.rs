//! Single entries come back from an export: the difference is shown first, and changed only with the explicit word.

use crate::directory_server::{DirectoryServer, SUFFIX};
use crate::world::{World, ok};

/// An entry without what the server keeps by itself (RFC 4512, section 3.4), as slapcat tells it.
fn without_operational(text: &str) -> Vec<String> {
    let kept = [
        "entryUUID:",
        "entryCSN:",
        "modifyTimestamp:",
        "modifiersName:",
        "createTimestamp:",
        "creatorsName:",
        "contextCSN:",
        "structuralObjectClass:",
    ];
    let is_kept = |line: &&str| !kept.iter().any(|name| line.starts_with(name));
    let mut lines: Vec<String> = text
        .lines()
        .filter(is_kept)
        .map(ToOwned::to_owned)
        .collect();
    lines.sort();
    lines
}

#[test]
fn an_entry_and_a_subtree_come_back_after_the_difference_was_shown() {
    let Some(world) = World::new(64) else { return };
    let Some(server) = DirectoryServer::new(&world, 120) else {
        return;
    };
    server.job(&world);
    world.run(&["run", "accounts"], 0);
    let whole = server.slapcat(&["-b", SUFFIX]);
    let person = |number: u32| format!("uid=p{number},ou=people,{SUFFIX}");
    let change = format!(
        "dn: {}\nchangetype: modify\nreplace: description\ndescription: nobody\n-\ndelete: jpegPhoto\n\n\
         dn: {}\nchangetype: modify\nreplace: userPassword\nuserPassword: spoilt\n\n",
        person(1),
        person(2)
    );
    let file = world.path("change.ldif");
    std::fs::write(&file, change).unwrap();
    ok(&mut server.ldap("ldapmodify", &["-f", file.to_str().unwrap()]));
    ok(&mut server.ldap("ldapdelete", &["-r", &format!("ou=groups,{SUFFIX}")]));
    let spoilt = server.slapcat(&["-b", SUFFIX]);

    let shown = world.run(&["restore", "accounts", "--entry", &person(1)], 0);
    assert!(shown.out.contains("differs"), "{}", shown.out);
    assert!(shown.out.contains("- description: nobody"), "{}", shown.out);
    assert!(shown.out.contains("+ jpegPhoto: ("), "{}", shown.out);
    assert!(
        shown.errors.contains("nothing was changed"),
        "{}",
        shown.errors
    );
    assert_eq!(server.slapcat(&["-b", SUFFIX]), spoilt);

    // upper and lower case and blanks are no difference in names (RFC 4514)
    let spelt = person(1).to_uppercase().replace(',', ", ");
    world.run(&["restore", "accounts", "--entry", &spelt, "--replace"], 0);
    let people = world.run(
        &[
            "restore",
            "accounts",
            "--entry",
            &format!("ou=people,{SUFFIX}"),
            "--subtree",
        ],
        0,
    );
    assert!(people.out.contains(&person(2)) && !people.out.contains(&person(1)));
    assert!(!people.out.contains("spoilt"), "{}", people.out);
    world.run(
        &[
            "restore",
            "accounts",
            "--entry",
            SUFFIX,
            "--subtree",
            "--replace",
        ],
        0,
    );
    let back = server.slapcat(&["-b", SUFFIX]);
    assert_eq!(without_operational(&back), without_operational(&whole));
    let again = world.run(&["restore", "accounts", "--entry", SUFFIX, "--subtree"], 0);
    assert!(again.out.contains("Nothing to bring back"), "{}", again.out);
}

#[test]
fn what_is_in_no_exported_database_or_no_name_is_told() {
    let Some(world) = World::new(64) else { return };
    let Some(server) = DirectoryServer::new(&world, 10) else {
        return;
    };
    server.job(&world);
    world.run(&["run", "accounts"], 0);
    let told = |dn: &str, exit: i32, says: &str| {
        let shown = world.run(&["restore", "accounts", "--entry", dn], exit);
        assert!(shown.errors.contains(says), "{}", shown.errors);
    };
    told(
        "dc=elsewhere,dc=example",
        1,
        "none of the exported databases",
    );
    told("cn=config", 1, "--load");
    told(&format!("uid=nobody,{SUFFIX}"), 1, "is not in");
    told("no name", 2, "is no name of an entry");
}

#[test]
fn a_dry_run_of_a_load_shows_its_very_commands_and_touches_nothing() {
    let Some(world) = World::new(64) else { return };
    let Some(server) = DirectoryServer::new(&world, 10) else {
        return;
    };
    server.job(&world);
    world.run(&["run", "accounts"], 0);
    let before = server.slapcat(&["-b", SUFFIX]);
    let shown = world.run(
        &["restore", "accounts", "--load", "--replace", "--dry-run"],
        0,
    );
    for words in [
        "set-aside",
        "slapadd",
        "put-back",
        "dc=studio,dc=example.ldif",
        "/stop",
    ] {
        assert!(shown.out.contains(words), "{words}: {}", shown.out);
    }
    assert!(server.answers());
    assert_eq!(server.slapcat(&["-b", SUFFIX]), before);
    eprintln!("{}", shown.out);
}
