//! The rehearsal of databases: they are loaded into a server of their own, without network, and counted again.

use std::path::{Path, PathBuf};

use crate::jobs::Engine;
use crate::plan::kinds::database::{
    GLOBALS, USERS, dump_member, file_member, sql_member, tables_member,
};
use crate::plan::{Act, Argv, Owner, Part, Pipeline, Stdin, Step};
use crate::prove::tables::Tables;
use crate::tools::mariadb::{self, Defaults, MariadbServer};
use crate::tools::postgresql::{self, PostgresqlServer, Programs};
use crate::tools::setpriv::RunAs;
use crate::tools::{files, tables, unshare};

/// What is rehearsed, and where.
#[derive(Debug, Clone, Copy)]
pub struct DatabaseRehearsal<'a> {
    pub engine: &'a Engine,
    /// The figures of every database of the export.
    pub exported: &'a [Tables],
    /// Whose the servers' files are.
    pub owner: &'a Owner,
    /// Of a version that can load it.
    pub programs: &'a Programs,
    /// A folder of its own, which is gone afterwards.
    pub folder: &'a Path,
    pub own_program: &'a Path,
}

impl DatabaseRehearsal<'_> {
    pub fn steps(self) -> Vec<Step> {
        match self.engine {
            Engine::Postgresql(live) => self.postgresql(&live.user),
            Engine::Mariadb(_) => self.mariadb(),
            Engine::Sqlite { file } => self.sqlite(file),
        }
    }

    fn postgresql(self, role: &str) -> Vec<Step> {
        let server = PostgresqlServer {
            socket: self.run(),
            port: 5432,
            role: role.to_owned(),
            run_as: RunAs::Account {
                name: self.owner.user.clone(),
                group: self.owner.group.parse().unwrap_or_default(),
            },
            programs: self.programs.clone(),
        };
        let start = postgresql::start(&server, &self.data(), &self.run().join("log"));
        let mut steps = vec![
            self.folders(),
            step(
                "make a server of its own",
                postgresql::init(&server, &self.data()),
            ),
            step(
                "start it, without any network",
                unshare::without_network(start),
            ),
            fed(
                "make the roles",
                vec![
                    tables::missing_roles(self.own_program, &server),
                    postgresql::psql(&server, "postgres"),
                ],
                GLOBALS,
            ),
        ];
        for Tables { database, .. } in self.exported {
            // one that every server has cannot be made anew
            let load = if database == "postgres" {
                postgresql::restore(&server, database)
            } else {
                postgresql::restore_new(&server)
            };
            steps.push(fed(
                &format!("load `{database}`"),
                vec![load],
                &dump_member(database),
            ));
            let compare = tables::compare_postgresql(self.own_program, &server, database);
            steps.push(compared(database, compare));
        }
        steps
    }

    fn mariadb(self) -> Vec<Step> {
        let socket = self.run().join("mysqld.sock");
        let server = MariadbServer {
            socket: socket.clone(),
            role: "root".to_owned(),
            run_as: RunAs::Own,
            defaults: Defaults::None,
        };
        let log = self.run().join("log");
        let serve = mariadb::serve(&self.data(), &self.run(), &socket, &log);
        let said = self.folder.join("said");
        let mut steps = vec![
            self.folders(),
            step(
                "make a server of its own",
                mariadb::install(&self.data(), &self.run()),
            ),
            step(
                "start it, without any network",
                tables::start_server(self.own_program, &socket, &said, &serve),
            ),
        ];
        for exported in self.exported {
            let database = &exported.database;
            let options = exported.creation.as_ref().map_or("", |made| &made.options);
            steps.push(step(
                &format!("make `{database}`"),
                mariadb::create(&server, database, options),
            ));
            steps.push(fed(
                &format!("load `{database}`"),
                vec![mariadb::load(&server, database)],
                &sql_member(database),
            ));
            let compare = tables::compare_mariadb(self.own_program, &server, database);
            steps.push(compared(database, compare));
        }
        steps.push(fed(
            "make the users",
            vec![
                tables::missing_users(self.own_program, &server),
                mariadb::load_users(&server),
            ],
            USERS,
        ));
        steps
    }

    fn sqlite(self, live: &Path) -> Vec<Step> {
        let name = file_member(live);
        let file = self.folder.join("loaded.sqlite");
        vec![
            fed(
                &format!("load `{name}`"),
                vec![files::write_from_stdin(&file)],
                &name,
            ),
            compared(&name, tables::compare_sqlite(self.own_program, &file)),
        ]
    }

    fn data(self) -> PathBuf {
        self.folder.join("data")
    }

    /// For the socket and what the server says.
    fn run(self) -> PathBuf {
        self.folder.join("run")
    }

    fn folders(self) -> Step {
        step(
            "make the folders of a server of its own",
            files::make_folders_for(self.owner, &[self.data(), self.run()]),
        )
    }
}

fn compared(database: &str, compare: Argv) -> Step {
    let words = format!("compare `{database}` with the export, table by table");
    fed(&words, vec![compare], &tables_member(database))
}

fn step(words: &str, argv: Argv) -> Step {
    Step::new(Part::Rehearse, words, Act::Tool(Pipeline::plain(argv)))
}

/// A step that reads a member of the export.
fn fed(words: &str, mut stages: Vec<Argv>, member: &str) -> Step {
    let mut pipeline = Pipeline::plain(stages.remove(0));
    pipeline.stages.append(&mut stages);
    pipeline.stdin = Stdin::Member(member.to_owned());
    Step::new(Part::Rehearse, words, Act::Tool(pipeline))
}
