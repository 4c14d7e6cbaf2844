//! README.md: its files load, its commands run, and what it says of the program is so.

use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

use clap::Parser;
use hayloft::cli::Arguments;
use hayloft::jobs::KindName;

use crate::config_folder::{ConfigFolder, HISTORY, SERVER};
use crate::world::World;

fn read(name: &str) -> String {
    fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join(name)).unwrap()
}

/// The fenced blocks of a language.
fn blocks(text: &str, language: &str) -> Vec<String> {
    let begin = format!("```{language}\n");
    let blocks = text.split(&begin).skip(1);
    blocks
        .map(|rest| rest.split("```").next().unwrap().to_owned())
        .collect()
}

/// The lines of the README that are commands of hayloft, in order.
fn commands() -> Vec<String> {
    let blocks = blocks(&read("README.md"), "sh");
    let lines = blocks.iter().flat_map(|block| block.lines());
    lines
        .filter(|line| line.starts_with("hayloft "))
        .map(str::to_owned)
        .collect()
}

/// The block that is the file of this name, or a part of it.
#[track_caller]
fn file(name: &str) -> String {
    let blocks = blocks(&read("README.md"), "toml");
    let first = format!("# {name}\n");
    blocks
        .into_iter()
        .find(|block| block.starts_with(&first))
        .unwrap_or_else(|| panic!("no file `{name}`"))
}

#[test]
fn every_command_of_the_readme_is_one_that_the_parser_takes() {
    let text = read("README.md");
    // fences stand alone, code in a line is between single backticks
    let outside = text.split("```").step_by(2);
    let in_lines = outside.flat_map(|prose| prose.split('`').skip(1).step_by(2));
    let in_lines: Vec<&str> = in_lines
        .filter(|code| code.starts_with("hayloft "))
        .collect();
    let commands = commands();
    assert!(
        commands.len() >= 15 && in_lines.len() >= 3,
        "{commands:?} {in_lines:?}"
    );
    for command in commands.iter().map(String::as_str).chain(in_lines) {
        if let Err(error) = Arguments::try_parse_from(command.split_whitespace()) {
            panic!("`{command}`: {error}");
        }
    }
}

#[test]
fn the_first_job_of_the_readme_runs_just_as_it_is_told() {
    let Some(world) = World::new(40) else { return };
    world.write_source("price-list.txt", "bowl: 12 €\n");
    world.write_source("cache/preview", "left out");
    for glaze in ["ash", "celadon", "chun", "shino"] {
        world.write_source(&format!("glazes/{glaze}.txt"), glaze);
    }
    let dir = world.path("");
    let dir = dir.to_str().unwrap().trim_end_matches('/');
    let here = |text: &str| {
        let text = text.replace("/tmp/", &format!("{dir}/"));
        let text = text.replace("/srv/studio", &format!("{dir}/source"));
        text.replace("/mnt/shelf", &format!("{dir}/drive"))
    };
    // nobody hears mail here, and the drive is small
    let server = here(&file("/etc/hayloft/server.toml")).replace("20 GB", "1 MB");
    let (begin, rest) = server.split_once("[mail]").unwrap();
    let (_, drives) = rest.split_once("[drives").unwrap();
    let server = format!("{begin}state_dir = \"{dir}/state\"\n[drives{drives}");
    let server = server.replace("5f0c3a52-8d1e-4a55-9a4e-0c1f6d2b7e90", &world.uuid());
    fs::write(world.path("config/server.toml"), server).unwrap();
    world.job(
        "studio-files",
        &here(&file("/etc/hayloft/jobs/studio-files.toml")),
    );

    let run = |clock: &str, command: &str| {
        let command = here(command);
        let words = command.split_whitespace().skip(1);
        let arguments: Vec<&str> = ["--clock", clock].into_iter().chain(words).collect();
        world.run(&arguments, 0)
    };
    let mut clock = "2026-11-25T02:30:00Z";
    for command in commands() {
        run(clock, &command);
        if command == "hayloft run studio-files" {
            world.write_source("glazes/celadon.txt", "with more ash");
            run("2026-11-26T02:30:00Z", &command);
            clock = "2026-11-26T09:00:00Z";
        }
    }
    let back = |folder: &str, name: &str| {
        fs::read_to_string(world.path(&format!("{folder}{dir}/source/{name}")))
    };
    assert_eq!(back("back", "price-list.txt").unwrap(), "bowl: 12 €\n");
    assert_eq!(back("back-then", "glazes/celadon.txt").unwrap(), "celadon");
    assert!(back("back-then", "cache/preview").is_err());
}

#[test]
fn the_parts_of_files_in_the_readme_are_right() {
    let part = file("part of /etc/hayloft/jobs/orders.toml");
    let orders =
        "kind = \"archive\"\nsource = [\"/srv/orders\"]\ndrive = \"shelf\"\ncap = \"1 GB\"\n";
    let loaded = ConfigFolder::new()
        .with("jobs/orders.toml", &format!("{orders}{part}"))
        .load();
    assert_eq!(loaded.warnings, []);
    let part = file("/etc/hayloft/jobs/accounts.toml").replace("/etc/hayloft", "{dir}");
    let loaded = ConfigFolder::new()
        .with_secret("accounts-passphrase")
        .with("jobs/accounts.toml", &part)
        .load();
    assert_eq!(loaded.warnings, []);
    let part = file("part of /etc/hayloft/server.toml").replace("/etc/hayloft", "{dir}");
    let folder = ConfigFolder::new()
        .with_secret("barn-key")
        .with("jobs/pots.toml", HISTORY);
    let loaded = folder
        .with("server.toml", &format!("{SERVER}{part}"))
        .load();
    assert_eq!(loaded.config.drives.len(), 2);
    let part = file("part of /etc/hayloft/server.toml, of [drives.shelf]");
    let folder = ConfigFolder::new().with("jobs/pots.toml", HISTORY);
    let loaded = folder
        .with("server.toml", &format!("{SERVER}{part}"))
        .load();
    assert!(
        loaded
            .config
            .drives
            .values()
            .all(|drive| drive.reread.is_some())
    );
}

#[test]
fn steps_find_the_variables_that_readme_and_manual_name() {
    let Some(world) = World::new(40) else { return };
    world.write_source("celadon.txt", "ash glaze");
    let job = "kind = \"mirror\"\nsource = [\"{dir}/source\"]\ndrive = \"shelf\"\n[[post]]\nrun = [\"env\"]\n";
    world.job("glazes", job);
    let run = world.run_json(&["run", "glazes"], 0);
    let log = fs::read_to_string(run["log_file"].as_str().unwrap()).unwrap();
    let variables = |text: &str| -> BTreeSet<String> {
        let found = text.split("HAYLOFT_").skip(1);
        let names = found.map(|rest| {
            rest.split(|c: char| !c.is_ascii_uppercase())
                .next()
                .unwrap()
                .to_owned()
        });
        // `HAYLOFT_LOG` is for hayloft, not from it
        names.filter(|name| name != "LOG").collect()
    };
    let given = variables(&log);
    assert_eq!(given.len(), 8, "{log}");
    assert_eq!(variables(&read("README.md")), given);
    assert_eq!(variables(&read("packaging/man/hayloft.5")), given);
}

#[test]
fn what_the_readme_calls_not_built_is_not_built_and_nothing_else_is() {
    let text = read("README.md");
    let begin = text.split("**Not built yet:**").nth(1).unwrap();
    let paragraph = begin.split("\n\n").next().unwrap();
    for kind in KindName::ALL {
        let named = paragraph.contains(&format!("`{kind}`"));
        assert_eq!(named, !kind.is_built(), "{kind}");
    }
    let commands = paragraph
        .split("no commands")
        .nth(1)
        .unwrap()
        .split("yet;")
        .next()
        .unwrap();
    let commands: Vec<&str> = commands.split('`').skip(1).step_by(2).collect();
    assert!(!commands.is_empty(), "{commands:?}");
    for command in commands {
        let parsed = Arguments::try_parse_from(["hayloft", command]);
        let error = parsed.expect_err("it is built").kind();
        assert_eq!(
            error,
            clap::error::ErrorKind::InvalidSubcommand,
            "{command}"
        );
    }
}
