//! Exports of databases back into the live server: compared before they take its place, and the old is kept.

use std::fs;
use std::os::unix::fs::{MetadataExt, chown};
use std::path::Path;
use std::process::{Command, Stdio};

use crate::background::{Background, until};
use crate::database_servers::{Postgresql, from_file, into_file};
use crate::world::{World, ok};

const CLOCK: [&str; 2] = ["--clock", "2026-11-26T02:30:00Z"];
const BEFORE: &str = "studio_before_20261126T023000Z";

fn studio(world: &World) -> Option<Postgresql> {
    let server = Postgresql::start()?;
    server.sql(
        "postgres",
        "CREATE ROLE ines LOGIN PASSWORD 'clay'; CREATE DATABASE studio OWNER ines; \
         ALTER DATABASE studio SET timezone TO 'Europe/Lisbon'; ALTER ROLE ines IN DATABASE studio SET work_mem TO '1MB'; \
         REVOKE CONNECT ON DATABASE studio FROM PUBLIC; GRANT CONNECT ON DATABASE studio TO ines",
    );
    server.sql(
        "studio",
        "CREATE TABLE recipes (id serial PRIMARY KEY, text text); ALTER TABLE recipes OWNER TO ines; \
         INSERT INTO recipes (text) SELECT 'glaze ' || i FROM generate_series(1, 5000) i",
    );
    let socket = server.socket().display();
    world.job(
        "books",
        &format!(
            "kind = \"database\"\nengine = \"postgresql\"\nname = \"studio\"\nsocket = \"{socket}\"\ndrive = \"shelf\"\n"
        ),
    );
    world.run(&["run", "books"], 0);
    Some(server)
}

const SETTINGS: &str = "SELECT datdba::regrole, (SELECT array_agg(a ORDER BY a::text) FROM unnest(datacl) a), (SELECT array_agg(setconfig ORDER BY setrole) \
    FROM pg_db_role_setting WHERE setdatabase = d.oid) FROM pg_database d WHERE datname = 'studio'";

fn databases(server: &Postgresql) -> String {
    server.sql("postgres", "SELECT string_agg(datname, ' ' ORDER BY datname) FROM pg_database WHERE datname LIKE 'studio%'")
}

#[test]
fn a_database_of_postgresql_is_loaded_beside_the_live_one_and_takes_its_place() {
    let Some(world) = World::new(60) else { return };
    let Some(server) = studio(&world) else { return };
    let settings = server.sql("postgres", SETTINGS);
    server.sql("studio", "DELETE FROM recipes WHERE id > 10");
    let shown = world.run(&["restore", "books", "--load"], 1);
    assert!(
        shown.out.contains("there is data already, in `studio`"),
        "{}",
        shown.out
    );
    assert_eq!(databases(&server), "studio");
    // an application that is in it, and comes again
    let mut session = server
        .psql("studio", "SELECT pg_sleep(60)")
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let shown = world.run(
        &[&CLOCK[..], &["restore", "books", "--load", "--replace"]].concat(),
        0,
    );
    assert!(
        shown.out.contains(&format!("_{}", &BEFORE[7..])),
        "{}",
        shown.out
    );
    assert!(!session.wait().unwrap().success());
    assert_eq!(databases(&server), format!("studio {BEFORE}"));
    assert_eq!(server.sql("studio", "SELECT count(*) FROM recipes"), "5000");
    assert_eq!(server.sql(BEFORE, "SELECT count(*) FROM recipes"), "10");
    assert_eq!(server.sql("postgres", SETTINGS), settings);
    assert_eq!(
        server.sql("studio", "SELECT nextval('recipes_id_seq')"),
        "5001"
    );
}

#[test]
fn a_database_is_loaded_into_a_new_server_with_its_roles() {
    let Some(world) = World::new(60) else { return };
    let Some(server) = studio(&world) else { return };
    let settings = server.sql("postgres", SETTINGS);
    let hash = "SELECT rolpassword FROM pg_authid WHERE rolname = 'ines'";
    let expected = server.sql("postgres", hash);
    server.sql("postgres", "DROP DATABASE studio");
    server.sql("postgres", "DROP ROLE ines");
    world.run(&["restore", "books", "--load"], 0);
    assert_eq!(databases(&server), "studio");
    assert_eq!(server.sql("postgres", hash), expected);
    assert_eq!(server.sql("postgres", SETTINGS), settings);
}

#[test]
fn a_load_that_fails_leaves_everything_as_it_was() {
    let Some(world) = World::new(60) else { return };
    let Some(server) = studio(&world) else { return };
    server.sql("studio", "DELETE FROM recipes WHERE id > 10");
    // the new one cannot even be made
    server.sql(
        "postgres",
        "ALTER ROLE postgres SET default_transaction_read_only = on",
    );
    let shown = world.run(&["restore", "books", "--load", "--replace"], 1);
    assert!(shown.out.contains("read-only"), "{}", shown.out);
    server.sql("postgres", "SET default_transaction_read_only = off; ALTER ROLE postgres RESET default_transaction_read_only");
    assert_eq!(databases(&server), "studio");
    assert_eq!(server.sql("studio", "SELECT count(*) FROM recipes"), "10");
}

#[test]
fn a_load_of_postgresql_that_was_killed_is_undone_at_the_next_start() {
    let Some(world) = World::new(60) else { return };
    let Some(server) = studio(&world) else { return };
    server.sql("studio", "DELETE FROM recipes WHERE id > 10");
    let settings = server.sql("postgres", SETTINGS);
    // killed while it loads beside the live one, and in the midst of the swap, which waits for another session
    let loading = "SELECT count(*) > 0 FROM pg_database WHERE datname LIKE 'studio_loading_%'";
    let swapping = "SELECT count(*) > 0 FROM pg_stat_activity WHERE wait_event_type = 'Lock' AND query LIKE 'ALTER DATABASE%'";
    for reached in [loading, swapping] {
        let mut session = server
            .psql(
                "postgres",
                "BEGIN; LOCK TABLE pg_db_role_setting IN SHARE MODE; SELECT pg_sleep(60)",
            )
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        until("it holds what the swap waits for", || {
            let held = "SELECT count(*) FROM pg_locks WHERE relation = 'pg_db_role_setting'::regclass AND mode = 'ShareLock'";
            server.sql("postgres", held) == "1"
        });
        let load = Background::start(world.hayloft(&["restore", "books", "--load", "--replace"]));
        until("it came far enough", || {
            server.sql("postgres", reached) == "t"
        });
        load.signal(rustix::process::Signal::KILL);
        drop(load);
        assert!(world.state().join("owed/books.json").exists());
        server.sql("postgres", "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE query LIKE '%pg_sleep(60)%' AND pid <> pg_backend_pid()");
        session.wait().unwrap();
        // what it had started may have come to its end meanwhile
        until("nothing of it is at work", || world.processes().is_empty());
        world.run(&["settle"], 1);
        // one that had the place of the live one for a moment is kept: somebody may have written to it
        let all = databases(&server);
        let left: Vec<&str> = all
            .split(' ')
            .filter(|name| !name.contains("_failed_"))
            .collect();
        assert_eq!(left, ["studio"]);
        assert_eq!(server.sql("studio", "SELECT count(*) FROM recipes"), "10");
        assert_eq!(server.sql("postgres", SETTINGS), settings);
    }
    let runs = world.run(&["runs", "--job", "books"], 0);
    assert!(runs.out.contains("CUT SHORT"), "{}", runs.out);
}

/// The hidden commands on their own: a swap that fails halfway, one that is undone, and one undone twice.
#[test]
fn a_swap_is_whole_or_not_at_all_and_can_be_undone() {
    let Some(server) = Postgresql::start() else {
        return;
    };
    server.sql("postgres", "CREATE DATABASE studio");
    server.sql("studio", "CREATE TABLE old ()");
    server.sql("postgres", "CREATE DATABASE loading");
    server.sql("loading", "CREATE TABLE new ()");
    let tables = server.path("tables.json");
    let mut command = server.hayloft("dump-postgresql", "loading");
    let shown = into_file(command.arg("--tables").arg(&tables), &server.path("dump"));
    assert_eq!(shown.exit, Some(0), "{}", shown.errors);
    let good = fs::read_to_string(&tables).unwrap();
    let names = ["--loaded=loading", "--before=before"];
    let swap = || {
        from_file(
            server.hayloft("swap-postgresql", "studio").args(names),
            &tables,
        )
    };
    let unswap = || {
        from_file(
            server.hayloft("unswap-postgresql", "studio").args(names),
            Path::new("/dev/null"),
        )
    };
    let table = || {
        server.sql(
            "studio",
            "SELECT relname FROM pg_class WHERE relname IN ('old', 'new')",
        )
    };
    fs::write(
        &tables,
        good.replace("OWNER TO postgres", "OWNER TO no_such_potter"),
    )
    .unwrap();
    let shown = swap();
    assert_eq!(shown.exit, Some(1));
    assert!(shown.errors.contains("no_such_potter"), "{}", shown.errors);
    // nobody was let in meanwhile
    let refused = server.psql("studio", "SELECT 1").output().unwrap();
    assert!(!refused.status.success());
    fs::write(&tables, &good).unwrap();
    let shown = swap();
    assert_eq!(shown.exit, Some(0), "{}", shown.errors);
    assert_eq!(table(), "new");
    for _ in 0..2 {
        let shown = unswap();
        assert_eq!(shown.exit, Some(0), "{}", shown.errors);
        assert_eq!(table(), "old");
        assert_eq!(
            server.sql(
                "postgres",
                "SELECT count(*) FROM pg_database WHERE datname IN ('loading', 'before')"
            ),
            "0"
        );
    }
}

#[test]
fn a_file_of_sqlite_takes_the_place_of_the_live_one_which_is_kept_unless_somebody_has_it_open() {
    let Some(world) = World::new(60) else { return };
    let file = world.path("books.db");
    let sql = |sql: &str| {
        let output = ok(Command::new("sqlite3").arg(&file).arg(sql));
        String::from_utf8(output.stdout).unwrap().trim().to_owned()
    };
    sql("CREATE TABLE recipes (text); INSERT INTO recipes VALUES ('glaze'), ('slip')");
    chown(&file, Some(33), Some(33)).unwrap();
    world.job(
        "books",
        "kind = \"database\"\nengine = \"sqlite\"\nfile = \"{dir}/books.db\"\ndrive = \"shelf\"\n",
    );
    world.run(&["run", "books"], 0);
    sql("DELETE FROM recipes");
    let shown = world.run(&["restore", "books", "--load"], 1);
    assert!(shown.out.contains("there is data already"), "{}", shown.out);
    let held = fs::File::open(&file).unwrap();
    let shown = world.run(&["restore", "books", "--load", "--replace"], 1);
    assert!(shown.out.contains("stop it first"), "{}", shown.out);
    assert_eq!(sql("SELECT count(*) FROM recipes"), "0");
    drop(held);
    world.run(
        &[&CLOCK[..], &["restore", "books", "--load", "--replace"]].concat(),
        0,
    );
    assert_eq!(sql("SELECT count(*) FROM recipes"), "2");
    assert_eq!(fs::metadata(&file).unwrap().uid(), 33);
    let mut beside: Vec<String> = fs::read_dir(world.path(""))
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| name.starts_with("books.db"))
        .collect();
    beside.sort();
    assert_eq!(beside, ["books.db", "books.db.before-20261126T023000Z"]);
}
