//! The rehearsal of a directory: its export is loaded into a slapd of its own, without network, and exported again.

use std::path::{Path, PathBuf};

use crate::jobs::{CONFIG_DATABASE, Directory};
use crate::plan::kinds::directory::{database, member_name};
use crate::plan::{
    Act, Argv, Content, DirectoryFacts, Member, Native, Part, Pipeline, ScratchConfig, Stdin,
    Stdout, Step,
};
use crate::restore::{answer, export_again};
use crate::tools::{files, ldap, slapd, slapd_config, unshare};

/// What is rehearsed, and where.
#[derive(Debug, Clone, Copy)]
pub struct DirectoryRehearsal<'a> {
    pub directory: &'a Directory,
    pub facts: &'a DirectoryFacts,
    /// A folder of its own, which is gone afterwards.
    pub folder: &'a Path,
    /// How many databases with a folder the configuration has.
    pub folders: usize,
}

/// The live configuration, where the export has none.
const LIVE_CONFIG: &str = "live/config.ldif";
/// Made to fit.
const SCRATCH_CONFIG: &str = "scratch/config.ldif";

/// The member that the configuration is taken from.
pub fn config_member(directory: &Directory) -> String {
    if directory.has_config() {
        member_name(CONFIG_DATABASE)
    } else {
        LIVE_CONFIG.to_owned()
    }
}

/// Reads the configuration of the service where the export has none: a database needs its schema.
pub fn config_step(directory: &Directory, facts: &DirectoryFacts) -> Option<Step> {
    if directory.has_config() {
        return None;
    }
    let argv = slapd::slapcat(&directory.config, database(CONFIG_DATABASE), &facts.owner);
    let mut pipeline = Pipeline::plain(argv);
    pipeline.stdout = Stdout::Member(Member {
        name: LIVE_CONFIG.to_owned(),
        content: Content::Ldif,
    });
    let words = "read the configuration of the service, which is not in the export";
    Some(Step::new(Part::Measure, words, Act::Tool(pipeline)))
}

impl DirectoryRehearsal<'_> {
    pub fn steps(self) -> Vec<Step> {
        let config = self.config();
        let mut steps = vec![step(
            "make the folders of a service of its own",
            files::make_folders_for(&self.facts.owner, &self.made_folders()),
        )];
        steps.push(Step::new(
            Part::Rehearse,
            "make its configuration fit, and reach nothing outside",
            Act::Native(Native::ScratchConfig(ScratchConfig {
                from: config_member(self.directory),
                to: SCRATCH_CONFIG.to_owned(),
                folder: self.folder.to_owned(),
            })),
        ));
        steps.push(self.load(&config, CONFIG_DATABASE, SCRATCH_CONFIG));
        for suffix in self.directory.suffixes() {
            steps.push(self.load(&config, suffix, &member_name(suffix)));
        }
        steps.push(step(
            "start it, without any network",
            unshare::without_network(slapd::start(&config, &self.uri(), &self.facts.owner)),
        ));
        steps.push(Step::new(
            Part::Rehearse,
            "wait until it answers",
            answer(&self.uri()),
        ));
        let again = |name: &str, exported: &str| {
            let argv = unshare::without_network(slapd::slapcat(
                &config,
                database(name),
                &self.facts.owner,
            ));
            export_again(Part::Rehearse, argv, exported)
        };
        if self.directory.has_config() {
            steps.extend(again(CONFIG_DATABASE, SCRATCH_CONFIG));
        }
        for suffix in self.directory.suffixes() {
            steps.extend(again(suffix, &member_name(suffix)));
        }
        // a login may write to the entry (slapd-config(5), `olcLastBind`)
        steps.extend(self.login());
        steps
    }

    fn config(self) -> PathBuf {
        self.folder.join("slapd.d")
    }

    fn made_folders(self) -> Vec<PathBuf> {
        let data = (0..self.folders).map(|number| slapd_config::data_folder(self.folder, number));
        let own = [self.config(), slapd_config::run_folder(self.folder)];
        own.into_iter().chain(data).collect()
    }

    /// ldap.conf(5): the path of a socket, with `/` as `%2F`.
    fn uri(self) -> String {
        let socket = slapd_config::run_folder(self.folder).join("ldapi");
        format!(
            "ldapi://{}",
            socket.display().to_string().replace('/', "%2F")
        )
    }

    fn load(self, config: &Path, name: &str, member: &str) -> Step {
        let argv =
            unshare::without_network(slapd::slapadd(config, database(name), &self.facts.owner));
        let mut pipeline = Pipeline::plain(argv);
        pipeline.stdin = Stdin::Member(member.to_owned());
        Step::new(
            Part::Rehearse,
            format!("load `{name}`"),
            Act::Tool(pipeline),
        )
    }

    fn login(self) -> Option<Step> {
        let login = self.directory.login.as_ref()?;
        let mut pipeline = Pipeline::plain(ldap::log_in(&self.uri(), &login.dn));
        pipeline.stdin = Stdin::FirstLine(login.password_file.clone());
        let words = format!("log in as `{}`", login.dn);
        Some(Step::new(Part::Rehearse, words, Act::Tool(pipeline)))
    }
}

fn step(words: &str, argv: Argv) -> Step {
    Step::new(Part::Rehearse, words, Act::Tool(Pipeline::plain(argv)))
}
