//! `kind = "directory"`: a directory service as LDIF, a database a member.

use super::Frame;
use super::export::Export;
use crate::jobs::{CONFIG_DATABASE, Directory};
use crate::plan::{
    Act, Content, DirectoryFacts, Member, Part, Pipeline, Reading, ServiceFacts, Stdin, Stdout,
    Step, Told,
};
use crate::tools::slapd::{self, Database};

pub fn export(frame: Frame, directory: &Directory) -> Export {
    // without facts there is a stop, and no step is run
    let ServiceFacts::Directory(facts) = &frame.facts.service else {
        return Export {
            told: Told::new(),
            members: Vec::new(),
            beside: None,
        };
    };
    Export {
        told: told(directory, facts),
        members: directory
            .databases
            .iter()
            .map(|name| member(directory, facts, name))
            .collect(),
        beside: None,
    }
}

fn told(directory: &Directory, facts: &DirectoryFacts) -> Told {
    let pairs = [
        ("service", directory.service.clone()),
        ("version", facts.version.clone()),
    ];
    pairs.map(|(name, value)| (name.to_owned(), value)).into()
}

/// The member that holds a database.
pub fn member_name(database: &str) -> String {
    format!("{database}.ldif")
}

/// slapcat(8) reads while the service goes on, and sees one state of a database.
fn member(directory: &Directory, facts: &DirectoryFacts, name: &str) -> Step {
    let database = database(name);
    let argv = slapd::slapcat(&directory.config, database, &facts.owner);
    let member = Member {
        name: member_name(name),
        content: Content::Ldif,
    };
    let pipeline = Pipeline {
        stages: vec![argv],
        stdin: Stdin::Nothing,
        stdout: Stdout::Member(member),
        reading: Reading::Plain,
        retries: Vec::new(),
    };
    Step::new(
        Part::Copy,
        format!("export {}", words(name)),
        Act::Tool(pipeline),
    )
}

pub fn database(name: &str) -> Database<'_> {
    if name == CONFIG_DATABASE {
        Database::Config
    } else {
        Database::Suffix(name)
    }
}

fn words(name: &str) -> String {
    match database(name) {
        Database::Config => "the configuration, `cn=config`".to_owned(),
        Database::Suffix(suffix) => format!("the database `{suffix}`"),
    }
}
