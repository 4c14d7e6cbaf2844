//! An export comes back into a real directory service; when anything fails, the service is as it was.

use std::fs;
use std::os::unix::fs::MetadataExt;

use crate::background::{Background, until};
use crate::directory_server::{DirectoryServer, PASSWORD, SUFFIX};
use crate::world::{World, ok};

/// A person of the test's directory.
fn person(number: u32) -> String {
    format!("uid=p{number},ou=people,{SUFFIX}")
}

fn can_log_in(server: &DirectoryServer, dn: &str) -> bool {
    let mut command = std::process::Command::new("ldapwhoami");
    command.args(["-x", "-H", &server.uri(), "-D", dn, "-w", PASSWORD]);
    command.output().unwrap().status.success()
}

/// Everything that counts of the service, as its own programs tell it.
fn all_of(server: &DirectoryServer) -> (String, String) {
    (
        server.slapcat(&["-b", SUFFIX]),
        server.slapcat(&["-n", "0"]),
    )
}

/// Names beside the data and the configuration.
fn beside(server: &DirectoryServer) -> Vec<String> {
    let entries = fs::read_dir(&server.folder).unwrap();
    let mut names: Vec<String> = entries
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| name.contains("before-") || name.contains("failed-"))
        .collect();
    names.sort();
    names
}

#[test]
fn a_directory_that_lost_entries_is_as_it_was_exported_and_what_it_held_lies_beside() {
    let Some(world) = World::new(64) else { return };
    let Some(server) = DirectoryServer::new(&world, 300) else {
        return;
    };
    server.job(&world);
    world.run(&["run", "accounts"], 0);
    let exported = all_of(&server);
    ok(&mut server.ldap("ldapdelete", &[&person(1), &person(2)]));
    assert!(!can_log_in(&server, &person(1)));
    let spoilt = all_of(&server);

    let refused = world.run(&["restore", "accounts", "--load"], 1);
    assert!(refused.out.contains("--replace"), "{}", refused.out);
    assert_eq!(all_of(&server), spoilt);

    let shown = world.run(&["restore", "accounts", "--load", "--replace"], 0);
    assert!(shown.out.contains("the same"), "{}", shown.out);
    assert_eq!(all_of(&server), exported);
    assert!(can_log_in(&server, &person(1)) && can_log_in(&server, &person(2)));
    assert_eq!(beside(&server).len(), 2, "{:?}", beside(&server));
    let openldap = uzers::get_user_by_name("openldap").unwrap().uid();
    for folder in [server.config(), server.data()] {
        for entry in fs::read_dir(folder).unwrap() {
            assert_eq!(entry.unwrap().metadata().unwrap().uid(), openldap);
        }
    }
    // an index that is not there would only be slow: slapd tells of the one that it does not find
    let found = ok(&mut server.ldap("ldapsearch", &["-LLL", "-b", SUFFIX, "(cn=*barro*)", "dn"]));
    assert!(String::from_utf8(found.stdout).unwrap().contains("dn"));
}

#[test]
fn an_export_is_loaded_into_a_service_that_was_just_installed() {
    let Some(world) = World::new(64) else { return };
    let Some(server) = DirectoryServer::new(&world, 120) else {
        return;
    };
    server.job(&world);
    world.run(&["run", "accounts"], 0);
    let exported = all_of(&server);
    server.stop();
    for folder in [server.config(), server.data()] {
        fs::remove_dir_all(&folder).unwrap();
    }
    let fresh = DirectoryServer::empty(&world, "directory");
    world.run(&["restore", "accounts", "--load", "--replace"], 0);
    assert_eq!(all_of(&fresh), exported);
    assert!(can_log_in(&fresh, &person(3)));
}

#[test]
fn when_a_load_fails_the_service_is_as_it_was_and_running() {
    let Some(world) = World::new(64) else { return };
    let Some(server) = DirectoryServer::new(&world, 50) else {
        return;
    };
    server.job(&world);
    world.run(&["run", "accounts"], 0);
    ok(&mut server.ldap("ldapdelete", &[&person(1)]));
    let before = all_of(&server);
    // it starts no more: the load is undone, and the service then starts as it was
    let start = server.folder.join("start");
    let right = fs::read_to_string(&start).unwrap();
    let once = server.folder.join("once");
    let broken = format!(
        "#!/bin/sh\nif [ ! -e {0} ]; then touch {0}; echo 'bind address in use' >&2; exit 1; fi\n{right}",
        once.display()
    );
    fs::write(&start, broken).unwrap();
    let shown = world.run(&["restore", "accounts", "--load", "--replace"], 1);
    assert!(shown.out.contains("bind address in use"), "{}", shown.out);
    assert!(
        shown.out.contains("the service is as it was"),
        "{}",
        shown.out
    );
    assert!(server.answers());
    assert_eq!(all_of(&server), before);
    assert!(
        beside(&server).iter().all(|name| name.contains("failed-")),
        "{:?}",
        beside(&server)
    );
}

#[test]
fn a_wrong_passphrase_a_flipped_bit_and_a_cut_off_file_leave_the_service_alone() {
    let Some(world) = World::new(64) else { return };
    let Some(server) = DirectoryServer::new(&world, 50) else {
        return;
    };
    server.job(&world);
    world.run(&["run", "accounts"], 0);
    let before = all_of(&server);
    let load = |arguments: &[&str], says: &str| {
        let all = [&["restore", "accounts", "--load", "--replace"], arguments].concat();
        let shown = world.run(&all, 1);
        assert!(shown.out.contains(says), "{says}: {}", shown.out);
        assert!(server.answers());
        assert_eq!(all_of(&server), before);
        assert_eq!(beside(&server), Vec::<String>::new());
    };
    world.secret("wrong", "glaze over sand\n");
    let wrong = world.path("config/wrong");
    load(
        &["--passphrase-file", wrong.to_str().unwrap()],
        "does not open this archive",
    );
    let name = world.entries("accounts");
    let name = name.iter().find(|name| name.ends_with(".tar.zst.age"));
    let path = world.copies("accounts").join(name.unwrap());
    let whole = fs::read(&path).unwrap();
    let mut flipped = whole.clone();
    flipped[whole.len() / 2] ^= 1;
    fs::write(&path, flipped).unwrap();
    load(&[], "damaged");
    fs::write(&path, &whole[..whole.len() - 40]).unwrap();
    load(&[], "damaged, cut off");
    fs::write(&path, &whole[..70_000]).unwrap();
    load(&[], "cut off");
}

#[test]
fn a_load_that_was_killed_is_undone_at_the_next_start() {
    let Some(world) = World::new(64) else { return };
    let Some(server) = DirectoryServer::new(&world, 50) else {
        return;
    };
    server.job(&world);
    world.run(&["run", "accounts"], 0);
    ok(&mut server.ldap("ldapdelete", &[&person(1)]));
    let before = all_of(&server);
    // stopped and set aside, and then nothing: the start never comes back
    let start = server.folder.join("start");
    let right = fs::read_to_string(&start).unwrap();
    fs::write(&start, "#!/bin/sh\nexec sleep 600\n").unwrap();
    let load = Background::start(world.hayloft(&["restore", "accounts", "--load", "--replace"]));
    until("it is about to start the service", || {
        world
            .processes()
            .iter()
            .any(|line| line.contains("sleep 600"))
    });
    load.signal(rustix::process::Signal::KILL);
    drop(load);
    fs::write(&start, right).unwrap();
    assert!(!server.answers());
    // what was cut short needs attention
    world.run(&["settle"], 1);
    assert!(server.answers());
    assert_eq!(all_of(&server), before);
    let runs = world.run(&["runs", "--job", "accounts"], 0);
    assert!(runs.out.contains("CUT SHORT"), "{}", runs.out);
}

#[test]
fn an_entry_that_the_service_does_not_know_the_schema_of_is_told_and_nothing_is_lost() {
    let Some(world) = World::new(64) else { return };
    let Some(server) = DirectoryServer::new(&world, 20) else {
        return;
    };
    let only_data = server.keys().replace("\"config\", ", "");
    world.secret("passphrase", "glaze over ash\n");
    let text = format!(
        "kind = \"directory\"\ndrive = \"shelf\"\n{only_data}encrypt = {{ passphrase_file = \"{{dir}}/config/passphrase\" }}\n"
    );
    world.job("accounts", &text);
    let newer = world.path("newer.ldif");
    let schema = "dn: cn=wheel,cn=schema,cn=config\nobjectClass: olcSchemaConfig\ncn: wheel\n\
        olcAttributeTypes: ( 1.3.6.1.4.1.99999.1 NAME 'wheelSpeed' SUP name )\n\
        olcObjectClasses: ( 1.3.6.1.4.1.99999.2 NAME 'wheel' SUP top AUXILIARY MAY wheelSpeed )\n";
    fs::write(&newer, schema).unwrap();
    server.stop();
    ok(std::process::Command::new("slapadd")
        .args(["-n", "0", "-F"])
        .arg(server.config())
        .arg("-l")
        .arg(&newer));
    server.own();
    server.start();
    let change = world.path("change.ldif");
    let text = format!(
        "dn: {}\nchangetype: modify\nadd: objectClass\nobjectClass: wheel\n-\nadd: wheelSpeed\nwheelSpeed: 90\n\n",
        person(1)
    );
    fs::write(&change, text).unwrap();
    ok(&mut server.ldap("ldapmodify", &["-f", change.to_str().unwrap()]));
    world.run(&["run", "accounts"], 0);
    // an older server: without that schema, and so without such an entry
    ok(&mut server.ldap("ldapdelete", &[&person(1)]));
    server.stop();
    let config = server.config().join("cn=config/cn=schema");
    let file = fs::read_dir(&config)
        .unwrap()
        .map(|entry| entry.unwrap().path());
    let file = file
        .into_iter()
        .find(|path| path.to_str().unwrap().contains("wheel"));
    fs::remove_file(file.unwrap()).unwrap();
    server.start();
    let before = all_of(&server);
    let shown = world.run(&["restore", "accounts", "--load", "--replace"], 1);
    assert!(shown.out.contains("wheel"), "{}", shown.out);
    assert!(server.answers());
    assert_eq!(all_of(&server), before);
}
