//! `[[pre]]` and `[[post]]`: a command run around a job, as an argv list.

use std::collections::BTreeMap;

use super::account::{self, parse_account};
use super::choice::choose;
use super::reading::{Table, Value};
use super::{Mistake, Span};

#[derive(Debug, Clone, PartialEq)]
pub struct StepSpec {
    /// Program and arguments; no shell reads them.
    pub run: Vec<String>,
    /// The account it runs as; hayloft's own unless given.
    pub user: Option<String>,
    pub env: BTreeMap<String, String>,
    pub timeout: Option<Span>,
    pub on: On,
}

/// When a post step runs, by how the job went so far. A pre step is always `Always`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum On {
    Always,
    Success,
    Failure,
}

/// Before or after the job.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum When {
    Pre,
    Post,
}

const ARGV: &str =
    "a program and its arguments as a list, such as [\"systemctl\", \"stop\", \"orders\"]";
const ENV: &str = "a table of texts, such as { LANG = \"C\" }";

impl StepSpec {
    pub(super) fn read(mut table: Table<'_>, when: When) -> Option<Self> {
        let run = table
            .require("run", "such as [\"systemctl\", \"stop\", \"orders\"]")
            .and_then(|value| argv(&value));
        let user = table.optional("user", account::EXPECTED, parse_account);
        let env = table.take("env").and_then(|value| environment(&value));
        let timeout = table.optional("timeout", Span::EXPECTED, Span::parse);
        let on = match when {
            When::Post => table.take("on").and_then(|value| {
                choose(
                    &value,
                    &[
                        ("always", On::Always),
                        ("success", On::Success),
                        ("failure", On::Failure),
                    ],
                )
            }),
            When::Pre => None,
        };
        table.finish_explaining(|key| match (key, when) {
            ("on", When::Pre) => Some(
                Mistake::new(
                    "`on` belongs to `[[post]]`: before the job nothing has gone well or badly yet",
                )
                .allowed("run, user, env, timeout"),
            ),
            _ => super::job::misplaced_under_list(key),
        });
        Some(Self {
            run: run?,
            user,
            env: env.unwrap_or_default(),
            timeout,
            on: on.unwrap_or(On::Always),
        })
    }
}

pub(super) fn argv(value: &Value<'_>) -> Option<Vec<String>> {
    let elements = value.list(ARGV)?;
    let Some(program) = elements.first() else {
        value.refuse(Mistake::new("`run` is empty: there is no program to run").allowed(ARGV));
        return None;
    };
    // A mistake in one argument must not hide those in the next.
    let mut argv = vec![program.parse(ARGV, program_name)];
    argv.extend(
        elements[1..]
            .iter()
            .map(|element| element.text(ARGV).map(str::to_owned)),
    );
    argv.into_iter().collect()
}

fn program_name(text: &str) -> Result<String, Mistake> {
    if text.is_empty() {
        return Err(Mistake::new("the program is empty"));
    }
    if text.contains('/') && !text.starts_with('/') {
        return Err(
            Mistake::new(format!("`{text}` depends on the working folder"))
                .allowed("the name of a program, or its absolute path"),
        );
    }
    if text.contains(' ') && !text.starts_with('/') {
        let words: Vec<String> = text
            .split_whitespace()
            .map(|word| format!("\"{word}\""))
            .collect();
        return Err(Mistake::new(format!(
            "`{text}` is more than a program's name: no shell splits it"
        ))
        .nearest(Some(words.join(", "))));
    }
    Ok(text.to_owned())
}

fn environment(value: &Value<'_>) -> Option<BTreeMap<String, String>> {
    let table = value.table("`env`", ENV)?;
    let findings = table.findings;
    let mut env = BTreeMap::new();
    for (key, range, value) in table.into_entries() {
        if key.is_empty() || key.contains(['=', '\0']) {
            let mistake = Mistake::new(format!(
                "`{}` cannot be the name of a variable",
                key.escape_default()
            ));
            findings.error(&range, mistake.allowed("a name without `=`, such as LANG"));
        }
        if let Some(text) = value.text(ENV) {
            env.insert(key.to_owned(), text.to_owned());
        }
    }
    Some(env)
}
