//! What the kinds that copy files have in common.

use std::ops::Deref;
use std::time::Duration;

use super::Frame;
use crate::jobs::Source;
use crate::plan::{
    Act, Argv, Describe, Described, KnownDigests, Native, Part, Pipeline, Reading, Step,
};
use crate::record::GenerationName;
use crate::tools::rsync::What;
use crate::tools::ssh::SshLine;

/// Seconds between tries of what crosses a network: a hiccup is over soon, a restarted router is not.
const WAITS: [u64; 4] = [2, 10, 30, 60];

/// The waits between tries of what crosses a network.
pub fn waits() -> Vec<Duration> {
    WAITS.map(Duration::from_secs).to_vec()
}

/// On the server: the index of a mirror on a local drive, as it lies there.
const COPY_INDEX: &str = "current.index";
/// On the server: the index of a source whose copies are on another host. Unlike that of a native copy it does not
/// tell what the newest copy holds, only what digests files have.
const SOURCE_INDEX: &str = "source.index";

/// What a new copy has in common with what was on the drive before.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shared {
    /// The inodes of this generation's files.
    With(Option<GenerationName>),
    /// Everything that did not change: it is the same tree.
    Kept,
}

/// A job that copies `source`.
#[derive(Debug, Clone, Copy)]
pub struct Copying<'a> {
    pub frame: Frame<'a>,
    pub source: &'a Source,
}

impl<'a> Deref for Copying<'a> {
    type Target = Frame<'a>;

    fn deref(&self) -> &Frame<'a> {
        &self.frame
    }
}

impl<'a> Copying<'a> {
    pub fn source_line(self) -> Option<SshLine> {
        match self.source {
            Source::Local(_) => None,
            Source::Ssh { host, .. } => Some(SshLine::new(host, &self.facts.known_hosts)),
        }
    }

    pub fn what(self, source_line: Option<&'a SshLine>) -> What<'a> {
        What {
            source: self.source,
            source_line,
            exclude: &self.job.exclude,
            hidden: &self.facts.hidden,
        }
    }

    pub fn measure(self, words: &str, argv: Argv, reading: Reading) -> Step {
        Step::new(Part::Measure, words, self.rsync(argv, reading))
    }

    /// An rsync, tried again where the work crosses a network.
    pub fn rsync(self, argv: Argv, reading: Reading) -> Act {
        let remote =
            matches!(self.source, Source::Ssh { .. }) || self.facts.landing.ssh().is_some();
        let retries = if remote { waits() } else { Vec::new() };
        Act::Tool(Pipeline::plain(argv).reading(reading).retrying(retries))
    }

    /// Writes the manifest of the tree that rsync made. `shared` is the generation that it shares files with.
    pub fn describe(self, tree: &str, entry: &str, manifest: &str, shared: Shared) -> Step {
        let is_local = self.facts.landing.ssh().is_none();
        let known = match (is_local, shared) {
            (true, Shared::With(newest)) => match newest {
                Some(name) if self.facts.manifests.contains(&name) => {
                    KnownDigests::Generation(name)
                }
                _ => KnownDigests::Nothing,
            },
            (true, Shared::Kept) => KnownDigests::Index(self.facts.indexes.join(COPY_INDEX)),
            (false, _) => KnownDigests::Index(self.facts.indexes.join(SOURCE_INDEX)),
        };
        let words = match &known {
            KnownDigests::Nothing => format!("read the copy, and write the manifest `{manifest}`"),
            KnownDigests::Generation(name) => format!(
                "read what is not shared with `{name}`, and write the manifest `{manifest}`"
            ),
            KnownDigests::Index(_) if is_local => {
                format!("read what the mirror has new, and write the manifest `{manifest}`")
            }
            KnownDigests::Index(_) => format!(
                "read what the source has new, and write the manifest `{manifest}` to the drive"
            ),
        };
        let of = match self.source {
            Source::Local(sources) if !is_local => Described::Source {
                sources: sources.clone(),
                exclude: self.job.exclude.clone(),
                hidden: self.facts.hidden.clone(),
            },
            _ => Described::Copy,
        };
        let describe = Describe {
            of,
            known,
            tree: tree.to_owned(),
            entry: entry.to_owned(),
            manifest: manifest.to_owned(),
            scratch: self.facts.indexes.clone(),
        };
        Step::new(Part::Copy, words, Act::Native(Native::Describe(describe)))
    }
}
