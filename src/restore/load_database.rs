//! Loads an export into the live database server, as a plan: what is loaded gets a passing name, is compared, and takes
//! its place at the end; what was there is kept under another name, and comes back when anything fails.

use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::jobs::On;
use crate::plan::kinds::database::{GLOBALS, dump_member, file_member, tables_member};
use crate::plan::{Act, Argv, Part, Pipeline, Stdin, Step, Stop};
use crate::prove::tables::Tables;
use crate::record::{GenerationName, Outcome};
use crate::tools::postgresql::{self, PostgresqlServer};
use crate::tools::{Existing, files, tables};

/// What is loaded, and where.
#[derive(Debug, Clone, Copy)]
pub struct DatabaseLoad<'a> {
    pub exported: &'a [Tables],
    /// Names what is set aside.
    pub at: GenerationName,
    pub own_program: &'a Path,
}

/// The longest name of a database, in bytes (PostgreSQL's manual, 4.1.1): longer ones are cut, and then alike.
const LONGEST: usize = 63;

/// Why it must not be done: `full` hold data that would make way.
pub fn database_refusal(full: &[String], existing: Existing) -> Option<Stop> {
    if existing == Existing::Replace || full.is_empty() {
        return None;
    }
    let names: Vec<String> = full.iter().map(|name| format!("`{name}`")).collect();
    let reason = format!(
        "there is data already, in {}, which would make way for the export",
        names.join(" and ")
    );
    Some(
        Stop::new(Outcome::Failed, reason)
            .advise("nothing was changed; `--dry-run` shows what would be done")
            .advise("if the export is to take its place: `--replace`; what is there is kept, under another name"),
    )
}

impl DatabaseLoad<'_> {
    pub fn postgresql(self, server: &PostgresqlServer) -> Vec<Step> {
        let roles = tables::missing_roles(self.own_program, server);
        let mut steps = vec![fed(
            "make the roles that are missing",
            vec![roles, postgresql::psql(server, postgresql::MAINTENANCE)],
            GLOBALS,
        )];
        for exported in self.exported {
            let (name, passing) = (&exported.database, self.passing(&exported.database));
            let options = exported.creation.as_ref().map_or("", |made| &made.options);
            steps.push(step(
                &format!("make `{passing}`"),
                postgresql::create(server, &passing, options),
            ));
            steps.push(fed(
                &format!("load `{name}` into it"),
                vec![postgresql::restore(server, &passing)],
                &dump_member(name),
            ));
            steps.push(fed(
                "compare it with the export, table by table",
                vec![tables::compare_postgresql(
                    self.own_program,
                    server,
                    &passing,
                )],
                &tables_member(name),
            ));
        }
        for Tables { database, .. } in self.exported {
            let argv = tables::swap_postgresql(self.own_program, server, self.names(database));
            let words =
                format!("end the sessions of `{database}`, and give its place to what was loaded");
            steps.push(fed(&words, vec![argv], &tables_member(database)));
        }
        for Tables { database, .. } in self.exported.iter().rev() {
            let argv = tables::unswap_postgresql(self.own_program, server, self.names(database));
            steps.push(post(&format!("put `{database}` back"), argv));
        }
        steps
    }

    pub fn sqlite(self, file: &Path) -> Vec<Step> {
        let name = file_member(file);
        let (loaded, before) = (self.beside(file, "loading"), self.beside(file, "before"));
        let own_program = self.own_program;
        vec![
            fed(
                &format!("load `{name}` beside it"),
                vec![files::write_from_stdin(&loaded)],
                &name,
            ),
            fed(
                "compare it with the export, table by table",
                vec![tables::compare_sqlite(own_program, &loaded)],
                &tables_member(&name),
            ),
            step(
                &format!("give the place of `{}` to what was loaded", file.display()),
                tables::place_sqlite(own_program, file, &loaded, &before),
            ),
            post(
                &format!("put `{}` back", file.display()),
                tables::unplace_sqlite(own_program, file, &loaded, &before),
            ),
        ]
    }

    fn names(self, database: &str) -> [String; 3] {
        [
            database.to_owned(),
            self.passing(database),
            self.named(database, "before"),
        ]
    }

    fn passing(self, database: &str) -> String {
        self.named(database, "loading")
    }

    /// `studio_before_20261126T023000Z`
    fn named(self, database: &str, word: &str) -> String {
        let ending = format!("_{word}_{}", self.at);
        let mut end = database.len().min(LONGEST - ending.len());
        while !database.is_char_boundary(end) {
            end -= 1;
        }
        format!("{}{ending}", &database[..end])
    }

    fn beside(self, file: &Path, word: &str) -> PathBuf {
        let mut name = file.as_os_str().to_owned();
        name.push(format!(".{word}-{}", self.at));
        name.into()
    }
}

pub(super) fn step(words: &str, argv: Argv) -> Step {
    Step::new(Part::Restore, words, Act::Tool(Pipeline::plain(argv)))
}

/// Nothing else ends a way back that hangs: it may bring a whole database back.
const PATIENCE: Duration = Duration::from_secs(6 * 3600);

/// As post steps they are done whatever stopped the load, a signal and a power cut too.
pub(super) fn post(words: &str, argv: Argv) -> Step {
    Step {
        on: On::Failure,
        timeout: Some(PATIENCE),
        ..Step::new(Part::Post, words, Act::Tool(Pipeline::plain(argv)))
    }
}

/// A step that reads a member of the export.
pub(super) fn fed(words: &str, mut stages: Vec<Argv>, member: &str) -> Step {
    let mut pipeline = Pipeline::plain(stages.remove(0));
    pipeline.stages.append(&mut stages);
    pipeline.stdin = Stdin::Member(member.to_owned());
    Step::new(Part::Restore, words, Act::Tool(pipeline))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_passing_name_is_longer_than_the_server_keeps() {
        let load = DatabaseLoad {
            exported: &[],
            at: GenerationName::parse("20261126T023000Z").unwrap(),
            own_program: Path::new("hayloft"),
        };
        assert_eq!(
            load.named("studio", "before"),
            "studio_before_20261126T023000Z"
        );
        for name in ["a".repeat(63), "ü".repeat(31), "釉".repeat(21)] {
            let [_, passing, before] = load.names(&name);
            assert!(
                passing.len() <= LONGEST && before.len() <= LONGEST,
                "{passing}"
            );
            assert_ne!(passing, before);
        }
    }
}
