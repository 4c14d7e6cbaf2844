//! Jobs of kind `database` with the real program: a run, its members, and a rehearsal beside the live server.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use crate::database_servers::{Mariadb, Postgresql};
use crate::world::{World, ok};

fn job(world: &World, keys: &str) {
    world.secret("passphrase", "two bowls and a kiln\n");
    world.job(
        "books",
        &format!(
            "kind = \"database\"\ndrive = \"shelf\"\n{keys}\n\
             encrypt = {{ passphrase_file = \"{{dir}}/config/passphrase\" }}\n"
        ),
    );
}

fn restored(world: &World) -> PathBuf {
    let back = world.path("back");
    world.run(&["restore", "books", "--to", back.to_str().unwrap()], 0);
    back
}

fn names(folder: &Path) -> Vec<String> {
    let entries = fs::read_dir(folder).unwrap();
    let mut names: Vec<String> = entries
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    names
}

/// Nothing of the content is in clear text below these folders.
fn assert_closed(world: &World, folders: &[PathBuf]) {
    for folder in folders {
        let found = Command::new("grep")
            .args(["-r", "-l", "-a", "glaze recipe"])
            .arg(folder)
            .output()
            .unwrap();
        let found = String::from_utf8_lossy(&found.stdout).into_owned();
        assert_eq!(found, "", "{}", folder.display());
    }
    assert_eq!(world.processes(), Vec::<String>::new());
    let mounts = fs::read_to_string("/proc/self/mounts").unwrap();
    assert!(!mounts.contains("/run/hayloft"), "{mounts}");
}

const ROWS: &str = "CREATE TABLE recipes (id int PRIMARY KEY, text text); \
    INSERT INTO recipes SELECT i, 'glaze recipe ' || i FROM generate_series(1, 20000) i";

#[test]
fn all_databases_of_postgresql_are_exported_with_their_roles_and_rehearsed() {
    let Some(world) = World::new(100) else { return };
    let Some(server) = Postgresql::start() else {
        return;
    };
    server.sql(
        "postgres",
        "CREATE ROLE ines LOGIN PASSWORD 'clay'; CREATE DATABASE studio OWNER ines; CREATE DATABASE \"Glaze; drop/x\"; \
         ALTER DATABASE studio SET timezone TO 'Europe/Lisbon'; GRANT CONNECT ON DATABASE studio TO ines; CREATE TABLE own (a int)",
    );
    server.sql(
        "studio",
        &format!("{ROWS}; GRANT SELECT ON recipes TO ines"),
    );
    let socket = server.socket().display().to_string();
    job(
        &world,
        &format!("engine = \"postgresql\"\nsocket = \"{socket}\""),
    );
    let shown = world.run(&["run", "books", "--dry-run"], 0);
    assert!(shown.out.contains("dump-postgresql"), "{}", shown.out);
    world.run(&["run", "books"], 0);
    assert_closed(&world, &[world.drive(), world.state()]);
    let back = restored(&world);
    assert_eq!(
        names(&back),
        [
            "Glaze; drop%2Fx.dump",
            "Glaze; drop%2Fx.tables.json",
            "export.json",
            "globals.sql",
            "postgres.dump",
            "postgres.tables.json",
            "studio.dump",
            "studio.tables.json",
        ]
    );
    let globals = fs::read_to_string(back.join("globals.sql")).unwrap();
    assert!(globals.contains("ALTER ROLE ines") && globals.contains("SCRAM-SHA-256$"));
    let listed = ok(Command::new("pg_restore")
        .arg("--list")
        .arg(back.join("studio.dump")));
    assert!(String::from_utf8_lossy(&listed.stdout).contains("TABLE DATA public recipes"));
    // the live server is not asked: it may be what was lost
    server.stop();
    let shown = world.run(&["rehearse", "books"], 0);
    assert!(
        shown.out.contains("20,000 rows loaded, and the same."),
        "{}",
        shown.out
    );
    assert_closed(&world, &[world.drive(), world.state()]);
    server.go();
}

#[test]
fn one_database_of_postgresql_is_exported_and_what_is_wrong_with_the_server_is_told() {
    let Some(world) = World::new(60) else { return };
    let Some(server) = Postgresql::start() else {
        return;
    };
    server.sql("postgres", "CREATE DATABASE studio");
    server.sql("studio", ROWS);
    let socket = server.socket().display().to_string();
    job(
        &world,
        &format!("engine = \"postgresql\"\nname = \"studio\"\nsocket = \"{socket}\""),
    );
    world.run(&["run", "books"], 0);
    assert!(names(&restored(&world)).contains(&"studio.dump".to_owned()));
    job(
        &world,
        &format!("engine = \"postgresql\"\nname = \"stidio\"\nsocket = \"{socket}\""),
    );
    let shown = world.run(&["run", "books"], 1);
    assert!(shown.out.contains("no database `stidio`"), "{}", shown.out);
    assert!(shown.out.contains("`studio`"), "{}", shown.out);
    job(
        &world,
        &format!("engine = \"postgresql\"\nuser = \"nobody\"\nsocket = \"{socket}\""),
    );
    let shown = world.run(&["run", "books"], 1);
    assert!(shown.out.contains("role \"nobody\""), "{}", shown.out);
    server.stop();
    job(
        &world,
        &format!("engine = \"postgresql\"\nsocket = \"{socket}\""),
    );
    let shown = world.run(&["run", "books"], 1);
    assert!(
        shown.out.contains("start the server, or correct `socket`"),
        "{}",
        shown.out
    );
    server.go();
    assert_eq!(
        world
            .entries("books")
            .iter()
            .filter(|name| name.ends_with(".partial"))
            .count(),
        0
    );
}

#[test]
fn all_databases_of_mariadb_are_exported_with_their_users_and_rehearsed() {
    let Some(world) = World::new(100) else { return };
    // its events would run here, and must not run while they are rehearsed
    let Some(mut server) = Mariadb::start_with("--event-scheduler=OFF") else {
        return;
    };
    server.sql("", "CREATE DATABASE studio CHARACTER SET utf8mb4; CREATE DATABASE `Glaze; drop`; CREATE USER ines IDENTIFIED BY 'clay'");
    server.sql(
        "studio",
        "CREATE TABLE recipes (id INT PRIMARY KEY, text TEXT); \
         INSERT INTO recipes SELECT seq, CONCAT('glaze recipe ', seq) FROM seq_1_to_20000; \
         CREATE VIEW few AS SELECT * FROM recipes WHERE id < 10; GRANT SELECT (id) ON studio.recipes TO ines; \
         CREATE EVENT wipe ON SCHEDULE EVERY 1 SECOND DO DELETE FROM recipes LIMIT 1",
    );
    let socket = server.socket().display().to_string();
    job(
        &world,
        &format!("engine = \"mariadb\"\nsocket = \"{socket}\""),
    );
    world.run(&["run", "books"], 0);
    assert_closed(&world, &[world.drive(), world.state()]);
    assert_eq!(
        names(&restored(&world)),
        [
            "Glaze; drop.database.sql",
            "Glaze; drop.tables.json",
            "export.json",
            "studio.database.sql",
            "studio.tables.json",
            "users.sql",
        ]
    );
    server.stop();
    let shown = world.run(&["rehearse", "books"], 0);
    assert!(
        shown.out.contains("20,000 rows loaded, and the same."),
        "{}",
        shown.out
    );
    assert_closed(&world, &[world.drive(), world.state()]);
    let shown = world.run(&["run", "books"], 1);
    assert!(
        shown.out.contains("start the server, or correct `socket`"),
        "{}",
        shown.out
    );
}

#[test]
fn what_a_dump_cannot_hold_is_told_with_the_run() {
    let Some(world) = World::new(60) else { return };
    let Some(server) = Mariadb::start() else {
        return;
    };
    server.sql(
        "",
        "CREATE DATABASE studio; CREATE DATABASE plain; CREATE TABLE plain.t (a INT)",
    );
    for number in 1..=7 {
        server.sql("studio", &format!("CREATE TABLE scales{number} (w FLOAT)"));
    }
    let socket = server.socket().display().to_string();
    job(
        &world,
        &format!("engine = \"mariadb\"\nsocket = \"{socket}\""),
    );
    let shown = world.run(&["--json", "run", "books"], 0);
    let run: serde_json::Value = serde_json::from_str(&shown.out).unwrap();
    let notes = run["notes"].as_array().unwrap();
    let notes: Vec<&str> = notes.iter().map(|note| note.as_str().unwrap()).collect();
    assert_eq!(notes.len(), 6, "{notes:?}");
    assert!(notes[0].starts_with("database `studio`: table `scales1` has columns of type float"));
    assert_eq!(
        notes[5],
        "2 more like these are in `studio.tables.json` of the export"
    );
}

#[test]
fn a_file_of_sqlite_is_exported_and_rehearsed() {
    let Some(world) = World::new(60) else { return };
    let file = world.path("books.db");
    ok(Command::new("sqlite3").arg(&file).arg(
        "PRAGMA journal_mode = wal; CREATE TABLE recipes (id INTEGER PRIMARY KEY, text TEXT); \
         WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 20000) \
         INSERT INTO recipes SELECT i, 'glaze recipe ' || i FROM n",
    ));
    job(&world, "engine = \"sqlite\"\nfile = \"{dir}/books.db\"");
    world.run(&["run", "books"], 0);
    assert_closed(&world, &[world.drive(), world.state()]);
    let back = restored(&world);
    assert_eq!(
        names(&back),
        ["books.db", "books.db.tables.json", "export.json"]
    );
    let dump = |file: &Path| ok(Command::new("sqlite3").arg(file).arg(".dump")).stdout;
    assert!(dump(&back.join("books.db")) == dump(&file));
    let shown = world.run(&["rehearse", "books"], 0);
    assert!(
        shown.out.contains("20,000 rows loaded, and the same."),
        "{}",
        shown.out
    );
    assert_closed(&world, &[world.drive(), world.state()]);
}
