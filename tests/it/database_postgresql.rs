//! PostgreSQL: what is exported and loaded again is the same, and what is not is found. Real servers, real programs.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};

use crate::database_servers::{Postgresql, as_postgres, from_file, into_file};
use crate::world::Shown;

/// What a studio's database holds, of nearly every kind that PostgreSQL knows.
const STUDIO: &str = r#"
CREATE SCHEMA "Glaze; drop";
CREATE EXTENSION citext;
CREATE TYPE state AS ENUM ('ordered', 'thrown', 'fired', 'sold');
CREATE DOMAIN price AS numeric(10, 2) CHECK (VALUE >= 0);
CREATE TABLE customers (id serial PRIMARY KEY, name text NOT NULL, mail citext UNIQUE);
INSERT INTO customers (name, mail)
    SELECT 'Kundin ' || i || ' Schlüsselwörter 釉薬 🏺', 'c' || i || '@studio.example' FROM generate_series(1, 1000) i;
CREATE TABLE orders (id bigserial PRIMARY KEY, customer int REFERENCES customers, state state, price price,
    weight double precision, width real, at timestamptz, day date, length interval, photo bytea, words text[],
    more jsonb, note text, doubled numeric GENERATED ALWAYS AS (price * 2) STORED);
INSERT INTO orders (customer, state, price, weight, width, at, day, length, photo, words, more, note)
    SELECT 1 + i % 1000, (ARRAY['ordered','thrown','fired','sold']::state[])[1 + i % 4], i / 7.0, sqrt(i), sqrt(i)::real,
    timestamptz '2026-01-01 00:00+01' + i * interval '61.000001 s', date '2026-01-01' + i % 365, i * interval '1 h',
    decode(md5(i::text) || '00ff', 'hex'), ARRAY['a' || i, NULL, E'b\nc'], jsonb_build_object('n', i),
    CASE WHEN i % 10 = 0 THEN NULL ELSE E'tab\tquote'' back\\slash ' || i END FROM generate_series(1, 100000) i;
INSERT INTO orders (weight, width) VALUES ('NaN', 'Infinity'), (1e-300, 1e-40), (0.1, 0.1);
CREATE INDEX by_day ON orders (day);
CREATE TABLE "Glaze; drop"."two ""bowls""" ("select" int, "Größe" text, t text, "line
feed" int);
INSERT INTO "Glaze; drop"."two ""bowls""" VALUES (1, 'a', NULL, 2), (1, 'a', NULL, 2), (NULL, NULL, NULL, NULL);
CREATE TABLE nothing_in_it ();
INSERT INTO nothing_in_it DEFAULT VALUES;
CREATE TABLE firings (at date, kiln int) PARTITION BY RANGE (at);
CREATE TABLE firings_2025 PARTITION OF firings FOR VALUES FROM ('2025-01-01') TO ('2026-01-01');
CREATE TABLE firings_2026 PARTITION OF firings FOR VALUES FROM ('2026-01-01') TO ('2027-01-01');
INSERT INTO firings SELECT date '2025-06-01' + i, i % 3 FROM generate_series(1, 400) i;
CREATE TABLE parent (a int); CREATE TABLE child (b int) INHERITS (parent); ALTER TABLE parent ADD c int DEFAULT 7;
INSERT INTO parent VALUES (1, 2); INSERT INTO child (a, b, c) VALUES (3, 4, 5);
CREATE TABLE dropped (a int, b int, c int); ALTER TABLE dropped DROP b; INSERT INTO dropped VALUES (1, 3);
CREATE TABLE private (who text); ALTER TABLE private ENABLE ROW LEVEL SECURITY;
CREATE POLICY own ON private USING (who = current_user); INSERT INTO private VALUES ('ines'), ('joão');
CREATE VIEW sold AS SELECT * FROM orders WHERE state = 'sold';
CREATE MATERIALIZED VIEW by_state AS SELECT state, count(*) FROM orders GROUP BY state;
CREATE MATERIALIZED VIEW not_filled AS SELECT 1 WITH NO DATA;
CREATE FUNCTION glaze(int) RETURNS int LANGUAGE sql AS 'SELECT $1 + 1';
CREATE FUNCTION stamp() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN NEW.note := coalesce(NEW.note, ''); RETURN NEW; END $$;
CREATE TRIGGER stamp BEFORE INSERT ON orders FOR EACH ROW EXECUTE FUNCTION stamp();
CREATE SEQUENCE invoices START 4711; SELECT nextval('invoices');
SELECT lo_from_bytea(0, decode(repeat('00ff10', 5000), 'hex'));
"#;

/// Two databases, one with a name that is hard to quote, and two roles with passwords.
fn studio() -> Option<Postgresql> {
    let server = Postgresql::start()?;
    server.sql(
        "postgres",
        "CREATE ROLE ines LOGIN PASSWORD 'clay'; CREATE ROLE \"João & co\" LOGIN PASSWORD 'it''s glaze'; \
         GRANT ines TO \"João & co\"; CREATE DATABASE studio OWNER ines; \
         ALTER DATABASE studio SET datestyle TO 'German, DMY'; ALTER ROLE ines IN DATABASE studio SET search_path TO public, x;",
    );
    server.sql("studio", STUDIO);
    Some(server)
}

/// A dump and its figures.
struct Export {
    dump: PathBuf,
    tables: PathBuf,
}

fn names(server: &Postgresql) -> Export {
    Export {
        dump: server.path("studio.dump"),
        tables: server.path("studio.tables.json"),
    }
}

fn export(server: &Postgresql, database: &str) -> (Export, Shown) {
    let export = names(server);
    let mut command = server.hayloft("dump-postgresql", database);
    let shown = into_file(command.arg("--tables").arg(&export.tables), &export.dump);
    (export, shown)
}

fn figures(file: &Path) -> serde_json::Value {
    serde_json::from_slice(&fs::read(file).unwrap()).unwrap()
}

fn compare(server: &Postgresql, database: &str, export: &Export) -> Shown {
    let mut command = server.hayloft("compare-postgresql", database);
    from_file(&mut command, &export.tables)
}

/// Loads into a fresh server, which is given too.
fn loaded(export: &Export, globals: &str) -> Postgresql {
    let other = Postgresql::start().unwrap();
    other.sql("postgres", globals);
    let output = other.restore(&export.dump);
    let errors = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{errors}");
    other
}

const ROLES: &str = "CREATE ROLE ines; CREATE ROLE \"João & co\";";

#[test]
fn what_is_loaded_into_a_fresh_server_is_the_same_table_by_table() {
    let Some(server) = studio() else { return };
    let (export, shown) = export(&server, "studio");
    assert_eq!(shown.exit, Some(0), "{}", shown.errors);
    let told = figures(&export.tables);
    for table in told["tables"].as_array().unwrap() {
        assert_ne!(table["certainty"], "changed-meanwhile", "{table}");
    }
    // the server's own count
    let orders = told["tables"].as_array().unwrap().iter();
    let orders = orders.clone().find(|table| table["name"] == "orders");
    let counted = server.sql("studio", "SELECT count(*) FROM orders");
    assert_eq!(orders.unwrap()["rows"].to_string(), counted);
    let other = loaded(&export, ROLES);
    let shown = compare(&other, "studio", &export);
    assert_eq!(shown.exit, Some(0), "{}{}", shown.out, shown.errors);
    assert!(!shown.out.contains("note:"), "{}", shown.out);
    assert!(
        shown.out.contains("tables and sequences are as they were"),
        "{}",
        shown.out
    );
}

#[test]
fn every_change_in_what_was_loaded_is_found() {
    let Some(server) = studio() else { return };
    let (export, _) = export(&server, "studio");
    for (change, words) in [
        (
            "UPDATE orders SET weight = weight + 1e-9 WHERE id = 4",
            "table `public.orders` has its 100003 rows, but not all",
        ),
        (
            "UPDATE orders SET photo = set_byte(photo, 3, 7) WHERE id = 99999",
            "not all with the content",
        ),
        (
            "DELETE FROM orders WHERE id = 77",
            "had 100003 rows when it was exported, and has 100002 rows",
        ),
        (
            "INSERT INTO child VALUES (1, 2, 3)",
            "table `public.child` had 1 row when it was exported, and has 2 rows",
        ),
        (
            "UPDATE customers SET name = NULL WHERE false; UPDATE \"Glaze; drop\".\"two \"\"bowls\"\"\" SET t = '' WHERE \"select\" = 1",
            "not all with the content",
        ),
        (
            "DROP TABLE firings_2025",
            "table `public.firings_2025` is missing",
        ),
        (
            "CREATE TABLE stray ()",
            "table `public.stray` is there, but was not exported",
        ),
        (
            "SELECT nextval('invoices')",
            "sequence `public.invoices` stands at `4712 true`, and stood at `4711 true`",
        ),
        (
            "DROP TRIGGER stamp ON orders",
            "1 triggers were exported, and 0 are there",
        ),
        (
            "CREATE OR REPLACE FUNCTION glaze(int) RETURNS int LANGUAGE sql AS 'SELECT $1 + 2'",
            "the functions are not those that were exported",
        ),
        (
            "ALTER TABLE orders DROP CONSTRAINT orders_customer_fkey",
            "constraints were exported",
        ),
        ("DROP VIEW sold", "views were exported"),
        (
            "SELECT lo_unlink(oid) FROM pg_largeobject_metadata",
            "the large objects is missing",
        ),
        (
            "UPDATE pg_largeobject SET data = set_byte(data, 9, 9) WHERE pageno = 3",
            "the large objects has its 1 row, but",
        ),
        (
            "UPDATE private SET who = 'joao' WHERE who <> 'ines'",
            "`public.private`",
        ),
    ] {
        // in place, and undone again: the source itself is what was exported
        let other = &server;
        other.sql("postgres", "CREATE DATABASE copy TEMPLATE studio");
        let shown = compare(other, "copy", &export);
        assert_eq!(shown.exit, Some(0), "{}{}", shown.out, shown.errors);
        other.sql(
            "copy",
            &format!("SET allow_system_table_mods = on; {change}"),
        );
        let shown = compare(other, "copy", &export);
        assert_eq!(shown.exit, Some(1), "{change}: {}", shown.out);
        assert!(shown.errors.contains(words), "{change}: {}", shown.errors);
        other.sql("postgres", "DROP DATABASE copy");
    }
}

#[test]
fn figures_are_those_of_the_dump_though_others_write_all_the_while() {
    let Some(server) = studio() else { return };
    let over = AtomicBool::new(false);
    let (export, shown, writes) = std::thread::scope(|scope| {
        let writer = scope.spawn(|| {
            let mut writes = 0;
            while !over.load(Ordering::Relaxed) {
                server.sql(
                    "studio",
                    "BEGIN; INSERT INTO orders (note) SELECT 'while' FROM generate_series(1, 50); \
                     UPDATE orders SET weight = weight + 1 WHERE id % 1000 = 1; DELETE FROM orders WHERE id % 997 = 5; \
                     UPDATE customers SET name = name || '!'; COMMIT;",
                );
                writes += 1;
            }
            writes
        });
        let (export, shown) = export(&server, "studio");
        over.store(true, Ordering::Relaxed);
        (export, shown, writer.join().unwrap())
    });
    assert_eq!(shown.exit, Some(0), "{}", shown.errors);
    assert!(writes > 0, "nobody wrote meanwhile");
    let other = loaded(&export, ROLES);
    let shown = compare(&other, "studio", &export);
    assert_eq!(shown.exit, Some(0), "{}{}", shown.out, shown.errors);
    // only a sequence is of no moment
    for line in shown.out.lines().filter(|line| line.starts_with("note:")) {
        assert!(line.contains("sequence `public.orders_id_seq`"), "{line}");
    }
}

#[test]
fn sums_do_not_depend_on_how_the_database_or_the_role_is_set_up() {
    let Some(server) = studio() else { return };
    let (export, _) = export(&server, "studio");
    server.sql(
        "postgres",
        "ALTER DATABASE studio SET datestyle TO 'SQL, MDY'; ALTER DATABASE studio SET timezone TO 'Asia/Tokyo'; \
         ALTER DATABASE studio SET bytea_output TO 'escape'; ALTER DATABASE studio SET extra_float_digits TO -5; \
         ALTER DATABASE studio SET intervalstyle TO 'iso_8601'; ALTER ROLE postgres SET search_path TO \"Glaze; drop\"; \
         ALTER DATABASE studio SET statement_timeout TO '1ms'; ALTER DATABASE studio SET row_security TO on;",
    );
    let shown = compare(&server, "studio", &export);
    assert_eq!(shown.exit, Some(0), "{}{}", shown.out, shown.errors);
}

#[test]
fn a_database_with_an_odd_name_is_exported() {
    let Some(server) = Postgresql::start() else {
        return;
    };
    for name in [
        "Glaze; drop",
        "it's \"two\"\\bowls",
        "postgresql://x",
        "a=b c",
        "釉薬",
    ] {
        let quoted = name.replace('"', "\"\"");
        server.sql("postgres", &format!("CREATE DATABASE \"{quoted}\""));
        server.sql(name, "CREATE TABLE t AS SELECT 1 AS a");
        let (export, shown) = export(&server, name);
        assert_eq!(shown.exit, Some(0), "{name}: {}", shown.errors);
        assert_eq!(figures(&export.tables)["database"], name);
        let shown = compare(&server, name, &export);
        assert_eq!(shown.exit, Some(0), "{name}: {}", shown.errors);
    }
}

#[test]
fn what_cannot_be_exported_is_told_and_leaves_no_figures() {
    let Some(server) = studio() else { return };
    let told = |server: &Postgresql, database: &str, more: &[&str], words: &str| {
        let export = names(server);
        let _ = fs::remove_file(&export.tables);
        let mut command = server.hayloft("dump-postgresql", database);
        command.args(more).arg("--tables").arg(&export.tables);
        let shown = into_file(&mut command, &export.dump);
        assert_eq!(shown.exit, Some(1), "{words}: {}", shown.errors);
        assert!(shown.errors.contains(words), "{words}: {}", shown.errors);
        assert!(!export.tables.exists(), "{words}");
    };
    told(
        &server,
        "pottery",
        &[],
        "database \"pottery\" does not exist",
    );
    server.sql("studio", "CREATE ROLE nobody LOGIN");
    let other = |role: &str, account: &str, socket: &str| {
        let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_hayloft"));
        command
            .args(["dump-postgresql", "--port=5432", "--database=studio"])
            .args([
                "--role",
                role,
                "--account",
                account,
                "--socket",
                socket,
                "--tables",
            ])
            .arg(server.path("none"));
        Shown::of(&command.output().unwrap())
    };
    let socket = server.socket().to_str().unwrap().to_owned();
    // `nobody` is an account of every Debian, and may log in here, but not read
    let shown = other("nobody", "nobody", &socket);
    assert_eq!(shown.exit, Some(1));
    assert!(
        shown.errors.contains("permission denied"),
        "{}",
        shown.errors
    );
    let shown = other("postgres", "nobody", &socket);
    assert!(
        shown.errors.contains("Peer authentication failed"),
        "{}",
        shown.errors
    );
    let shown = other("postgres", "no-such-potter", &socket);
    assert!(
        shown.errors.contains("no account `no-such-potter`"),
        "{}",
        shown.errors
    );
    let shown = other("postgres", "postgres", "/nonexistent");
    assert!(
        shown.errors.contains("No such file or directory"),
        "{}",
        shown.errors
    );
    assert!(!server.path("none").exists());
    server.stop();
    told(
        &server,
        "studio",
        &[],
        "start the server, or correct `socket`",
    );
    server.go();
}

#[test]
fn a_dump_that_is_not_whole_or_not_as_it_was_is_not_taken_for_good() {
    let Some(server) = studio() else { return };
    let (export, _) = export(&server, "studio");
    let whole = fs::read(&export.dump).unwrap();
    let other = Postgresql::start().unwrap();
    other.sql("postgres", ROLES);
    let verdict = |bytes: &[u8]| {
        fs::write(&export.dump, bytes).unwrap();
        let restored = other.restore(&export.dump).status.success();
        let same = restored && compare(&other, "studio", &export).exit == Some(0);
        other.sql("postgres", "DROP DATABASE IF EXISTS studio");
        same
    };
    assert!(verdict(&whole));
    for cut in [whole.len() / 3, whole.len() / 2, whole.len() - 10_000] {
        assert!(!verdict(&whole[..cut]), "cut at {cut}");
    }
    // within the rows, where it changes what is loaded without breaking the format
    let at = whole
        .windows(20)
        .position(|part| part.starts_with(b"Kundin 500 "));
    let mut flipped = whole.clone();
    flipped[at.unwrap() + 3] ^= 1;
    assert!(!verdict(&flipped));
}

#[test]
fn roles_come_back_with_their_passwords() {
    let Some(server) = studio() else { return };
    let output = as_postgres("pg_dumpall")
        .args(["--globals-only", "--host"])
        .arg(server.socket())
        .output()
        .unwrap();
    let other = Postgresql::start().unwrap();
    let globals = String::from_utf8(output.stdout).unwrap();
    let globals = globals.replace("CREATE ROLE postgres;", "");
    other.sql("postgres", &globals);
    let hashes =
        "SELECT rolname, rolpassword FROM pg_authid WHERE rolpassword IS NOT NULL ORDER BY 1";
    let expected = server.sql("postgres", hashes);
    assert!(expected.contains("João & co|SCRAM-SHA-256$"), "{expected}");
    assert_eq!(other.sql("postgres", hashes), expected);
}
