//! Loads an export into the directory service of this server, as a plan: what is there is kept aside, and comes back
//! when anything fails.

use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::jobs::{CONFIG_DATABASE, Directory, On};
use crate::plan::kinds::directory::{database, member_name};
use crate::plan::{
    Act, Argv, Content, DatabasePlace, DirectoryFacts, Holds, Member, Native, Part, Pipeline,
    SameEntries, Stdin, Stdout, Step, Stop,
};
use crate::record::{GenerationName, Outcome};
use crate::tools::{Existing, aside, files, ldap, service, slapd};

/// What is loaded, and where.
#[derive(Debug, Clone, Copy)]
pub struct DirectoryLoad<'a> {
    pub directory: &'a Directory,
    pub facts: &'a DirectoryFacts,
    /// Of every database that is loaded, the configuration first.
    pub places: &'a [DatabasePlace],
    /// Names what is set aside.
    pub at: GenerationName,
    pub own_program: &'a Path,
}

/// A service takes a moment to answer.
const WAITS: [u64; 6] = [200, 500, 1000, 2000, 5000, 10_000];

/// Why it must not be done: what is there would make way.
pub fn refusal(places: &[DatabasePlace], existing: Existing) -> Option<Stop> {
    let full: Vec<String> = places
        .iter()
        .filter(|place| place.holds == Holds::Data)
        .map(|place| format!("`{}`", place.folder.display()))
        .collect();
    if existing == Existing::Replace || full.is_empty() {
        return None;
    }
    let reason = format!(
        "the service holds data already, in {}, which would make way for the export",
        full.join(" and ")
    );
    Some(
        Stop::new(Outcome::Failed, reason)
            .advise("nothing was changed; `--dry-run` shows what would be done")
            .advise("if the export is to take its place: `--replace`; what is there is kept beside, under another name"),
    )
}

impl DirectoryLoad<'_> {
    pub fn steps(self) -> Vec<Step> {
        let mut steps = vec![step("stop the service", self.stop())];
        for place in self.places {
            let words = format!("set `{}` aside", place.folder.display());
            let owner = &self.facts.owner;
            let argv = aside::set_aside(self.own_program, &place.folder, &self.aside(place), owner);
            steps.push(step(&words, argv));
        }
        for place in self.places {
            let name = member_name(&place.database);
            let argv = slapd::slapadd(
                &self.directory.config,
                database(&place.database),
                &self.facts.owner,
            );
            let mut pipeline = Pipeline::plain(argv);
            pipeline.stdin = Stdin::Member(name);
            let words = format!("load `{}`", place.database);
            steps.push(Step::new(Part::Restore, words, Act::Tool(pipeline)));
        }
        // before anybody can write to it
        for place in self.places {
            steps.extend(self.compare(&place.database));
        }
        for place in self.places {
            let words = format!("flush `{}` to the disk", place.folder.display());
            steps.push(step(&words, files::flush(&place.folder)));
        }
        steps.push(step("start the service", self.start()));
        steps.push(Step::new(
            Part::Restore,
            "wait until it answers",
            answer(&self.directory.uri),
        ));
        steps.extend(self.way_back());
        steps
    }

    /// Exports what was loaded once more, and holds it against what was to be loaded.
    fn compare(self, name: &str) -> [Step; 2] {
        let argv = slapd::slapcat(&self.directory.config, database(name), &self.facts.owner);
        export_again(Part::Restore, argv, &member_name(name))
    }

    /// As post steps they are done whatever stopped the load, a signal and a power cut too.
    fn way_back(self) -> Vec<Step> {
        let mut steps = vec![post("stop the service again", self.stop())];
        for place in self.places.iter().rev() {
            let words = format!("put `{}` back", place.folder.display());
            let argv = aside::put_back(
                self.own_program,
                &place.folder,
                &self.aside(place),
                &beside(&place.folder, "failed", self.at),
            );
            steps.push(post(&words, argv));
        }
        steps.push(post("start the service as it was", self.start()));
        steps.push(Step {
            on: On::Failure,
            ..Step::new(
                Part::Post,
                "see whether it answers",
                answer(&self.directory.uri),
            )
        });
        steps
    }

    /// Where what is in a place is kept.
    pub fn aside(self, place: &DatabasePlace) -> PathBuf {
        beside(&place.folder, "before", self.at)
    }

    fn stop(self) -> Argv {
        service::stop(&self.directory.service, &self.directory.control)
    }

    fn start(self) -> Argv {
        service::start(&self.directory.service, &self.directory.control)
    }
}

/// A service that neither stops nor starts within this is in trouble; the way back cannot be interrupted otherwise.
const PATIENCE: Duration = Duration::from_secs(600);

fn step(words: &str, argv: Argv) -> Step {
    Step {
        timeout: Some(PATIENCE),
        ..Step::new(Part::Restore, words, Act::Tool(Pipeline::plain(argv)))
    }
}

fn post(words: &str, argv: Argv) -> Step {
    Step {
        on: On::Failure,
        timeout: Some(PATIENCE),
        ..Step::new(Part::Post, words, Act::Tool(Pipeline::plain(argv)))
    }
}

/// `/var/lib/ldap.before-20261125T023000Z`
fn beside(folder: &Path, word: &str, at: GenerationName) -> PathBuf {
    let mut name = folder.as_os_str().to_owned();
    name.push(format!(".{word}-{at}"));
    name.into()
}

/// Asks until there is an answer.
pub fn answer(uri: &str) -> Act {
    let waits = WAITS.map(Duration::from_millis).to_vec();
    Act::Tool(Pipeline::plain(ldap::ask_root(uri)).retrying(waits))
}

/// Exports a database again, and holds it against the member that was loaded.
pub fn export_again(part: Part, slapcat: Argv, exported: &str) -> [Step; 2] {
    let loaded = format!("loaded/{exported}");
    let mut pipeline = Pipeline::plain(slapcat);
    pipeline.stdout = Stdout::Member(Member {
        name: loaded.clone(),
        content: Content::Ldif,
    });
    let same = SameEntries {
        exported: exported.to_owned(),
        loaded,
    };
    [
        Step::new(
            part,
            format!("export `{exported}` again"),
            Act::Tool(pipeline),
        ),
        Step::new(
            part,
            "compare it with the export, entry by entry",
            Act::Native(Native::SameEntries(same)),
        ),
    ]
}

/// The configuration first: it says where the others lie.
pub fn in_order(mut places: Vec<DatabasePlace>) -> Vec<DatabasePlace> {
    places.sort_by_key(|place| place.database != CONFIG_DATABASE);
    places
}
