//! The Python process that makes a tree, edits it, and holds copies against what they must be (`nights.py`).

use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};

use serde_json::{Value, json};

/// Which edits there are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Edits {
    All,
    /// Without those that plain rsync cannot follow: it goes by size and time.
    RsyncFollows,
}

/// One thing that is not as it must be.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Difference {
    pub generation: String,
    pub path: String,
    pub what: String,
    pub wanted: String,
    pub found: String,
}

impl std::fmt::Display for Difference {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let Self {
            generation,
            path,
            what,
            wanted,
            found,
        } = self;
        write!(
            f,
            "{generation} {path}: {what}\n    wanted {wanted}\n    found  {found}"
        )
    }
}

pub struct Watcher {
    child: Child,
    commands: ChildStdin,
    answers: BufReader<ChildStdout>,
}

impl Watcher {
    pub fn start(source: &Path, seed: u64) -> Self {
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/it/nights.py");
        let mut child = Command::new("python3")
            .arg("-B")
            .arg(script)
            .arg(source)
            .arg(seed.to_string())
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .expect("python3");
        Self {
            commands: child.stdin.take().unwrap(),
            answers: BufReader::new(child.stdout.take().unwrap()),
            child,
        }
    }

    fn ask(&mut self, command: &Value) -> Value {
        writeln!(self.commands, "{command}").unwrap();
        let mut answer = String::new();
        self.answers.read_line(&mut answer).unwrap();
        serde_json::from_str(&answer)
            .unwrap_or_else(|error| panic!("{command}: {error}: {answer:?}"))
    }

    pub fn make(&mut self, entries: u64) {
        self.ask(&json!({ "do": "make", "entries": entries }));
    }

    /// Edits the source, and tells what was done.
    pub fn edit(&mut self, edits: Edits) -> Vec<String> {
        let edits = match edits {
            Edits::All => "all",
            Edits::RsyncFollows => "rsync",
        };
        let answer = self.ask(
            &json!({ "do": "edit", "most": 8, "least_entries": 60, "most_entries": 150, "edits": edits }),
        );
        let done = answer["edits"].as_array().unwrap();
        done.iter()
            .map(|one| one.as_str().unwrap().to_owned())
            .collect()
    }

    /// From here on the generation of this name must be as `tree` is now; tells where that is not as the source.
    pub fn remember(&mut self, generation: &str, tree: &Path) -> Vec<Difference> {
        self.differences("remember", generation, tree)
    }

    pub fn compare(&mut self, generation: &str, tree: &Path) -> Vec<Difference> {
        self.differences("compare", generation, tree)
    }

    fn differences(&mut self, command: &str, generation: &str, tree: &Path) -> Vec<Difference> {
        let answer = self.ask(&json!({ "do": command, "generation": generation, "tree": tree }));
        let text = |one: &Value, key: &str| one[key].as_str().unwrap().to_owned();
        let differences = answer["differences"].as_array().unwrap();
        differences
            .iter()
            .map(|one| Difference {
                generation: generation.to_owned(),
                path: text(one, "path"),
                what: text(one, "what"),
                wanted: text(one, "wanted"),
                found: text(one, "found"),
            })
            .collect()
    }

    /// Forgets all but these.
    pub fn keep(&mut self, generations: &[String]) {
        self.ask(&json!({ "do": "keep", "generations": generations }));
    }
}

impl Drop for Watcher {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
