//! Pre and post steps that fail, hang, run as another account, or look at their environment.

use std::collections::BTreeMap;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::time::{Duration, Instant};

use crate::world::World;

fn world(steps: &str) -> Option<World> {
    let world = World::new(20)?;
    world.job(
        "orders",
        &format!("kind = \"history\"\nsource = [\"{{dir}}/source\"]\ndrive = \"shelf\"\n{steps}"),
    );
    world.write_source("celadon.txt", "ash glaze");
    Some(world)
}

fn step(part: &str, script: &str, more: &str) -> String {
    format!("[[{part}]]\nrun = [\"sh\", \"-c\", '{script}']\n{more}\n")
}

const POSTS: [&str; 3] = ["always", "success", "failure"];

fn posts() -> String {
    let post = |on| {
        step(
            "post",
            &format!("touch {{dir}}/{on}"),
            &format!("on = \"{on}\""),
        )
    };
    POSTS.map(post).concat()
}

fn ran(world: &World) -> Vec<&'static str> {
    let mut ran = POSTS.to_vec();
    ran.retain(|on| world.path(on).exists());
    ran
}

#[test]
fn a_pre_step_that_fails_keeps_the_copy_from_being_made() {
    let Some(world) = world(&(step("pre", "echo no; exit 3", "") + &posts())) else {
        return;
    };
    let run = world.run_json(&["run", "orders"], 1);
    assert_eq!(run["outcome"], "failed", "{run}");
    assert!(
        run["reason"].as_str().unwrap().contains("exit status 3"),
        "{run}"
    );
    assert_eq!(ran(&world), ["always", "failure"]);
    assert_eq!(world.generations("orders"), Vec::<String>::new());
}

#[test]
fn after_a_good_copy_the_steps_for_success_run() {
    let Some(world) = world(&posts()) else { return };
    world.run(&["run", "orders"], 0);
    assert_eq!(ran(&world), ["always", "success"]);
}

#[test]
fn a_post_step_that_fails_is_told_and_the_copy_stays() {
    let Some(world) = world(&step("post", "exit 7", "")) else {
        return;
    };
    let run = world.run_json(&["run", "orders"], 1);
    assert_eq!(run["outcome"], "failed", "{run}");
    assert!(
        run["reason"].as_str().unwrap().contains("exit status 7"),
        "{run}"
    );
    assert_eq!(world.generations("orders").len(), 1);
    let listed = world.run_json(&["generations", "orders"], 0);
    assert_eq!(listed.as_array().unwrap().len(), 1);
}

#[test]
fn a_step_that_ignores_sigterm_is_killed_after_the_grace() {
    let stubborn = "trap \"\" TERM; while :; do sleep 1; done";
    for part in ["pre", "post"] {
        let Some(world) = world(&step(part, stubborn, "timeout = \"1 second\"")) else {
            return;
        };
        let begun = Instant::now();
        let run = world.run_json(&["run", "orders"], 1);
        // fifteen seconds of grace after one second
        assert!(
            begun.elapsed() > Duration::from_secs(15),
            "{:?}",
            begun.elapsed()
        );
        assert!(
            begun.elapsed() < Duration::from_secs(25),
            "{:?}",
            begun.elapsed()
        );
        assert_eq!(run["outcome"], "timed-out", "{run}");
        let reason = run["reason"].as_str().unwrap();
        assert!(
            reason.contains("step") && reason.contains("1 s"),
            "{reason}"
        );
        assert_eq!(world.processes(), Vec::<String>::new());
    }
}

#[test]
fn what_a_timed_out_step_started_and_would_not_end_is_killed_too() {
    let script = "(trap \"\" TERM; exec sleep 300) & wait";
    let Some(world) = world(&step("pre", script, "timeout = \"1 second\"")) else {
        return;
    };
    world.run(&["run", "orders"], 1);
    assert_eq!(world.processes(), Vec::<String>::new());
}

fn environment(world: &World, file: &str) -> BTreeMap<String, String> {
    let text = fs::read(world.path(file)).unwrap();
    text.split(|byte| *byte == 0)
        .filter_map(|pair| {
            let text = String::from_utf8_lossy(pair).into_owned();
            let (name, value) = text.split_once('=')?;
            Some((name.to_owned(), value.to_owned()))
        })
        .collect()
}

#[test]
fn steps_find_the_documented_variables() {
    let steps = step(
        "pre",
        "cat /proc/self/environ > {dir}/pre",
        "env = { GLAZE = \"celadon\" }",
    ) + &step("post", "cat /proc/self/environ > {dir}/post", "");
    let Some(world) = world(&steps) else { return };
    let run = world.run_json(&["--clock", "2026-11-25T02:30:00Z", "run", "orders"], 0);
    let (pre, post) = (environment(&world, "pre"), environment(&world, "post"));
    let landing = world.copies("orders").display().to_string();
    for (name, value) in [
        ("HAYLOFT_SERVER", "kiln"),
        ("HAYLOFT_JOB", "orders"),
        ("HAYLOFT_KIND", "history"),
        ("HAYLOFT_DRIVE", "shelf"),
        ("HAYLOFT_LANDING", &landing),
        ("HAYLOFT_GENERATION", run["generation"].as_str().unwrap()),
    ] {
        assert_eq!(pre[name], value);
        assert_eq!(post[name], value);
    }
    assert_eq!(
        (pre["HAYLOFT_PART"].as_str(), post["HAYLOFT_PART"].as_str()),
        ("pre", "post")
    );
    assert_eq!(pre["GLAZE"], "celadon");
    assert!(!pre.contains_key("HAYLOFT_OUTCOME"));
    assert_eq!(post["HAYLOFT_OUTCOME"], "well");
}

#[test]
fn a_step_of_another_account_has_that_accounts_rights_and_home() {
    let script =
        "{ id -u; id -g; id -G; } > {dir}/open/who; cat /proc/self/environ > {dir}/open/env";
    let Some(world) = world(&step("pre", script, "user = \"nobody\"")) else {
        return;
    };
    fs::create_dir(world.path("open")).unwrap();
    fs::set_permissions(world.path("open"), fs::Permissions::from_mode(0o777)).unwrap();
    fs::set_permissions(world.path(""), fs::Permissions::from_mode(0o755)).unwrap();
    world.run(&["run", "orders"], 0);
    // base-passwd of Debian: nobody and nogroup are 65534
    assert_eq!(
        fs::read_to_string(world.path("open/who")).unwrap(),
        "65534\n65534\n65534\n"
    );
    let found = environment(&world, "open/env");
    let passwd = std::process::Command::new("getent")
        .args(["passwd", "nobody"])
        .output()
        .unwrap();
    let home = String::from_utf8(passwd.stdout)
        .unwrap()
        .split(':')
        .nth(5)
        .unwrap()
        .to_owned();
    assert_eq!(found["HOME"], home);
    assert_eq!(
        (found["USER"].as_str(), found["LOGNAME"].as_str()),
        ("nobody", "nobody")
    );
    assert_eq!(found["HAYLOFT_JOB"], "orders");
}

#[test]
fn an_unknown_account_is_told_before_anything_starts() {
    let steps = step("pre", "touch {dir}/begun", "")
        + &step(
            "post",
            "touch {dir}/always",
            "user = \"potter-nobody-knows\"",
        );
    let Some(world) = world(&steps) else { return };
    let run = world.run_json(&["run", "orders"], 1);
    let reason = run["reason"].as_str().unwrap();
    assert!(reason.contains("potter-nobody-knows"), "{run}");
    assert!(!world.path("begun").exists());
    assert!(!world.copies("orders").exists());
    world.run(&["run", "orders", "--dry-run"], 1);
}

#[test]
fn a_program_that_is_not_there_is_named() {
    let Some(world) = world(&("[[pre]]\nrun = [\"throw-a-pot\"]\n".to_owned() + &posts())) else {
        return;
    };
    let run = world.run_json(&["run", "orders"], 1);
    assert_eq!(run["outcome"], "failed", "{run}");
    assert!(
        run["reason"].as_str().unwrap().contains("throw-a-pot"),
        "{run}"
    );
    assert_eq!(ran(&world), ["always", "failure"]);
}

#[test]
fn a_run_that_nobody_listens_to_any_more_goes_on_to_its_end() {
    let Some(world) = world(&(step("pre", "echo hello; echo there >&2", "") + &posts())) else {
        return;
    };
    for form in [&["run", "orders"][..], &["--json", "run", "orders"]] {
        let mut child = world
            .hayloft(form)
            .env("HAYLOFT_LOG", "info")
            .stdout(std::process::Stdio::piped())
            .stderr(std::process::Stdio::piped())
            .spawn()
            .unwrap();
        // as when a terminal is closed
        drop((child.stdout.take(), child.stderr.take()));
        assert_eq!(child.wait().unwrap().code(), Some(0));
        assert_eq!(ran(&world), ["always", "success"]);
        for on in ["always", "success"] {
            fs::remove_file(world.path(on)).unwrap();
        }
    }
    assert_eq!(world.generations("orders").len(), 2);
}
