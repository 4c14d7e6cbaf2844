//! Loads an export into a live MariaDB server, as a plan. Databases cannot be renamed there: what was there is kept as
//! a dump in the state folder, and loaded again when anything fails.

use std::path::{Path, PathBuf};
use std::time::Duration;

use super::DatabaseLoad;
use super::load_database::{fed, post, step};
use crate::jobs::Encrypt;
use crate::plan::kinds::database::{USERS, file_name, sql_member, tables_member};
use crate::plan::{Act, Part, Pipeline, Step};
use crate::tools::mariadb::{self, MariadbServer};
use crate::tools::replace_mariadb::{self, Replaced};
use crate::tools::seal::Opener;
use crate::tools::{files, seal, tables};

/// The way back is not interrupted otherwise; to load a large database again takes its time.
const PATIENCE: Duration = Duration::from_secs(24 * 60 * 60);

/// Where, and how closed, what was there is kept.
#[derive(Debug, Clone, Copy)]
pub struct Keeping<'a> {
    pub folder: &'a Path,
    pub closed: Option<(&'a Encrypt, &'a Opener)>,
}

/// One database that is loaded.
struct One<'a> {
    database: &'a str,
    keeping: Option<PathBuf>,
    before: PathBuf,
    tables: PathBuf,
    opener: Option<&'a Opener>,
}

impl DatabaseLoad<'_> {
    /// `live` are the databases that the server has.
    pub fn mariadb(self, server: &MariadbServer, live: &[String], keeping: Keeping) -> Vec<Step> {
        let (own_program, exported) = (self.own_program, self.exported);
        let all: Vec<One> = exported
            .iter()
            .map(|one| self.one(&one.database, live, keeping))
            .collect();
        let mut steps: Vec<Step> = all
            .iter()
            .filter_map(|one| one.keep(own_program, server, keeping))
            .collect();
        for one in &all {
            let name = one.database;
            let replace = replace_mariadb::replace(own_program, server, one.replaced());
            let words = match one.keeping {
                Some(_) => format!("end the sessions of `{name}`, drop it, and make it anew"),
                None => format!("make `{name}`"),
            };
            steps.push(fed(&words, vec![replace], &tables_member(name)));
            steps.push(fed(
                &format!("load `{name}`"),
                vec![mariadb::load(server, name)],
                &sql_member(name),
            ));
            steps.push(fed(
                "compare it with the export, table by table",
                vec![tables::compare_mariadb(own_program, server, name)],
                &tables_member(name),
            ));
        }
        steps.push(fed(
            "make the users that are missing",
            vec![
                tables::missing_users(own_program, server),
                mariadb::load_users(server),
            ],
            USERS,
        ));
        for one in all.iter().filter(|one| one.keeping.is_none()) {
            let forget = files::remove(&one.before);
            steps.push(step("forget that there was none", forget));
        }
        for one in all.iter().rev() {
            let argv = replace_mariadb::put_back(own_program, server, one.replaced());
            steps.push(Step {
                timeout: Some(PATIENCE),
                ..post(&format!("put `{}` back", one.database), argv)
            });
        }
        steps
    }

    fn one<'a>(self, database: &'a str, live: &[String], keeping: Keeping<'a>) -> One<'a> {
        let ending = keeping.closed.map_or("sql", |_| "sql.age");
        let path = |word: &str, ending: &str| {
            let name = format!("{}.{word}-{}.{ending}", file_name(database), self.at);
            keeping.folder.join(name)
        };
        let is_there = live.iter().any(|name| name == database);
        One {
            database,
            keeping: is_there.then(|| path("keeping", ending)),
            before: path("before", ending),
            tables: path("before", "tables.json"),
            opener: keeping.closed.map(|(_, opener)| opener),
        }
    }
}

impl One<'_> {
    fn keep(&self, own_program: &Path, server: &MariadbServer, keeping: Keeping) -> Option<Step> {
        let to = self.keeping.as_ref()?;
        let close = keeping
            .closed
            .map(|(encrypt, _)| seal::close(own_program, encrypt));
        let dump = tables::dump_mariadb(own_program, server, self.database, &self.tables);
        let mut pipeline = Pipeline::plain(dump);
        pipeline.stages.extend(close);
        pipeline.stages.push(replace_mariadb::keep(own_program, to));
        let words = format!("keep `{}` as it is", self.database);
        Some(Step::new(Part::Restore, &words, Act::Tool(pipeline)))
    }

    fn replaced(&self) -> Replaced<'_> {
        Replaced {
            database: self.database,
            keeping: self.keeping.as_ref(),
            before: &self.before,
            tables: &self.tables,
            opener: self.opener,
        }
    }
}
