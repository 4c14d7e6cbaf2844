//! Entries of a directory out of an export: how they differ from those of the live service, and what makes them the same.

use std::collections::BTreeMap;
use std::io;
use std::sync::Arc;

use super::export_task::Opened;
use super::job_run::Runner;
use super::locks::{self, Sharing};
use super::members::{entries, keep};
use super::verify_run::{Which, choose};
use super::{settle, wording};
use crate::jobs::{Directory, Job, Kind};
use crate::ldif::{
    AttributeNames, ChangeRecord, Difference, Dn, DnKey, Entry, Writer, changes, difference,
    is_kept_by_server,
};
use crate::plan::kinds::directory::{database, member_name};
use crate::plan::{
    Act, Content, DirectoryFacts, DriveState, Member, Part, Pipeline, ServiceFacts, Stdin, Stdout,
    Step, Stop,
};
use crate::record::{Generation, GenerationName, Outcome, RunRecord, StoreError, Task, Trigger};
use crate::report::{ComparedEntry, EntryState, counted};
use crate::restore::{Opening, open_export, plan_of};
use crate::system::{Gathered, service_facts};
use crate::tools::{ldap, slapd};

/// Which entries.
#[derive(Debug, Clone)]
pub struct EntriesWanted<'a> {
    pub job: &'a Job,
    pub from: Option<GenerationName>,
    pub opener: Option<crate::tools::seal::Opener>,
    pub dn: Dn,
    pub extent: EntryExtent,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EntryExtent {
    One,
    /// With all below it.
    Subtree,
}

/// How they differ from the live ones.
pub struct EntriesFound {
    pub generation: GenerationName,
    pub entries: Vec<ComparedEntry>,
    /// What makes them the same.
    pub changes: Vec<ChangeRecord>,
    gathered: Gathered,
    of: Generation,
}

/// The member that holds the live entries, and that which holds what is changed.
const LIVE: &str = "live/entries.ldif";
const CHANGES: &str = "changes.ldif";

impl Runner<'_> {
    /// Reads only.
    ///
    /// # Errors
    /// When the export cannot be opened, or does not hold them.
    pub fn compare_entries(&self, wanted: &EntriesWanted) -> Result<EntriesFound, Stop> {
        let (directory, facts) = directory_of(wanted.job)?;
        let suffix = suffix_of(directory, &wanted.dn)?;
        let now = self.clock.now();
        let gathered = self.look(wanted.job, now);
        if let DriveState::NotReady(stop) = &gathered.facts.drive {
            return Err(stop.clone());
        }
        let which = wanted.from.map_or(Which::Newest, Which::One);
        let generations = choose(wanted.job, which, &gathered.facts.generations)?;
        let Some(of) = generations.into_iter().next() else {
            return Err(failed("there is no export to open"));
        };
        let mut plan = open_export(&wanted.opening(&gathered, &of), now);
        plan.steps.push(live_step(directory, &facts, suffix));
        let mut record = self.blank_load(wanted.job);
        let opened = self.do_steps(&plan, &gathered, None, &mut record)?;
        let then = wanted.read(&opened, &member_name(suffix))?;
        if then.is_empty() {
            let reason = format!(
                "`{}` is not in {} of `{}`",
                wanted.dn, of.name, wanted.job.name
            );
            return Err(failed(&reason).advise("`--from` takes an earlier export"));
        }
        let live = wanted.read(&opened, LIVE)?;
        let (entries, changes) = compare(&then, &live).map_err(|why| failed(&why))?;
        Ok(EntriesFound {
            generation: of.name,
            entries,
            changes,
            gathered,
            of,
        })
    }

    /// Applies what was found, through the live service.
    ///
    /// # Errors
    /// When the record cannot be written.
    pub fn apply_entries(
        &self,
        wanted: &EntriesWanted,
        found: &EntriesFound,
    ) -> Result<RunRecord, StoreError> {
        let mut record = self.blank_load(wanted.job);
        record.id = self.store.new_run_id(&wanted.job.name, self.clock.now())?;
        let doing = format!("bringing entries of `{}` back", wanted.job.name);
        let state_dir = &self.config.server.state_dir;
        let _lock = match locks::lock_job(state_dir, &wanted.job.name, &doing) {
            Ok(lock) => lock,
            Err(error) => return Ok(self.not_begun(record, &error)),
        };
        let _service_lock = match locks::lock_service_of(state_dir, wanted.job, Sharing::Alone) {
            Ok(lock) => lock,
            Err(error) => return Ok(self.not_begun(record, &error)),
        };
        self.begin_log(&mut record);
        self.store.begin_run(&record)?;
        record
            .notes
            .extend(settle::cut_short_runs(self, &wanted.job.name, &record.id)?);
        record.generation = Some(found.generation);
        record.form = Some(found.of.form);
        record.landing = found.gathered.facts.landing.address();
        let went = self.apply(wanted, found, &mut record);
        match went {
            Ok(()) => {
                record.outcome = Some(Outcome::Well);
                let amount = found.changes.len() as u64;
                record.reason = format!(
                    "{} brought back from {}.",
                    counted(amount, "entry was", "entries were"),
                    found.generation
                );
            }
            Err(stop) => wording::tell(&mut record, stop),
        }
        self.finish(&mut record);
        record.next = None;
        self.store.finish_run(&record)?;
        Ok(record)
    }

    fn apply(
        &self,
        wanted: &EntriesWanted,
        found: &EntriesFound,
        record: &mut RunRecord,
    ) -> Result<(), Stop> {
        let (directory, _) = directory_of(wanted.job)?;
        let scratch = &found.gathered.facts.indexes;
        let kept = written(&found.changes)
            .and_then(|text| {
                let member = Member {
                    name: CHANGES.to_owned(),
                    content: Content::Plain,
                };
                keep(&member, &text[..], scratch)
            })
            .map_err(|error| failed(&error.to_string()))?;
        let mut pipeline = Pipeline::plain(ldap::modify(&directory.uri));
        pipeline.stdin = Stdin::Member(CHANGES.to_owned());
        let words = "change the entries of the live service";
        let steps = vec![Step::new(Part::Restore, words, Act::Tool(pipeline))];
        let opening = wanted.opening(&found.gathered, &found.of);
        let plan = plan_of(&opening, record.started, steps);
        let before = Opened {
            members: vec![Arc::new(kept)],
            export: None,
        };
        self.do_steps(&plan, &found.gathered, Some(before), record)
            .map(drop)
            .map_err(|stop| {
                stop.advise("what came before the entry that failed was changed: compare again")
            })
    }

    fn blank_load(&self, job: &Job) -> RunRecord {
        RunRecord {
            task: Task::Load,
            ..self.blank(job, Trigger::Hand, String::new(), self.config.drive_of(job))
        }
    }
}

impl EntriesWanted<'_> {
    fn opening<'o>(&'o self, gathered: &'o Gathered, of: &'o Generation) -> Opening<'o> {
        Opening {
            job: self.job,
            generation: of,
            landing: &gathered.facts.landing,
            opener: self.opener.clone(),
            own_program: &gathered.facts.own_program,
        }
    }

    /// The wanted entries of a member, by name.
    fn read(&self, opened: &Opened, name: &str) -> Result<BTreeMap<DnKey, Entry>, Stop> {
        let unreadable = |error: io::Error| failed(&format!("`{name}`: {error}"));
        let kept = opened.members.iter().find(|kept| kept.told.name == name);
        let kept = kept.ok_or_else(|| failed(&format!("there is no `{name}` in this export")))?;
        let mut found = BTreeMap::new();
        for entry in entries(kept).map_err(unreadable)?.entries() {
            let entry = entry.map_err(|error| unreadable(io::Error::other(error)))?;
            let is_wanted = match self.extent {
                EntryExtent::One => entry.dn == self.dn,
                EntryExtent::Subtree => entry.dn.is_within(&self.dn),
            };
            if is_wanted {
                found.insert(entry.dn.key().clone(), entry);
            }
        }
        Ok(found)
    }
}

fn directory_of(job: &Job) -> Result<(&Directory, DirectoryFacts), Stop> {
    match (&job.kind, service_facts(&job.kind)?) {
        (Kind::Directory(directory), ServiceFacts::Directory(facts)) => Ok((directory, facts)),
        _ => Err(failed(&format!("job `{}` exports no directory", job.name))),
    }
}

/// The database that holds an entry.
fn suffix_of<'d>(directory: &'d Directory, dn: &Dn) -> Result<&'d str, Stop> {
    let holds = |suffix: &&String| Dn::parse(suffix).is_ok_and(|suffix| dn.is_within(&suffix));
    let suffix = directory
        .suffixes()
        .filter(holds)
        .max_by_key(|suffix| suffix.len());
    suffix.map(String::as_str).ok_or_else(|| {
        let suffixes: Vec<String> = directory.suffixes().map(|one| format!("`{one}`")).collect();
        let reason = format!("`{dn}` is in none of the exported databases");
        failed(&reason).advise(format!(
            "entries can be brought back of {}; the configuration as a whole, by `--load`",
            suffixes.join(", ")
        ))
    })
}

/// All of the database: slapcat(8) of `OpenLDAP` 2.5 can crash where it is asked for a part, `-s`.
fn live_step(directory: &Directory, facts: &DirectoryFacts, suffix: &str) -> Step {
    let argv = slapd::slapcat(&directory.config, database(suffix), &facts.owner);
    let mut pipeline = Pipeline::plain(argv);
    pipeline.stdout = Stdout::Member(Member {
        name: LIVE.to_owned(),
        // there may be none any more
        content: Content::Plain,
    });
    let words = "read the entries of the live service";
    Step::new(Part::Measure, words, Act::Tool(pipeline))
}

type Compared = (Vec<ComparedEntry>, Vec<ChangeRecord>);

fn compare(
    then: &BTreeMap<DnKey, Entry>,
    live: &BTreeMap<DnKey, Entry>,
) -> Result<Compared, String> {
    let mut compared = Vec::new();
    let mut all_changes = Vec::new();
    // what is above is made before what is below it
    let mut entries: Vec<&Entry> = then.values().collect();
    entries.sort_by_key(|entry| entry.dn.depth());
    for entry in entries {
        let now = live.get(entry.dn.key());
        let made = changes(now, entry).map_err(|error| error.to_string())?;
        if made.is_empty() {
            continue;
        }
        let (state, difference) = match now {
            None => (EntryState::Missing, all_values(entry)),
            Some(now) => (
                EntryState::Differs,
                difference(now, entry, &AttributeNames::default()),
            ),
        };
        compared.push(ComparedEntry::new(&entry.dn, state, shown(difference)));
        all_changes.extend(made);
    }
    for entry in live.values().filter(|one| !then.contains_key(one.dn.key())) {
        compared.push(ComparedEntry::new(
            &entry.dn,
            EntryState::OnlyLive,
            Difference::default(),
        ));
    }
    Ok((compared, all_changes))
}

fn all_values(entry: &Entry) -> Difference {
    Difference {
        only_old: Vec::new(),
        only_new: entry.values.clone(),
    }
}

/// What the server keeps by itself is no difference to anybody.
fn shown(mut difference: Difference) -> Difference {
    difference
        .only_old
        .retain(|one| !is_kept_by_server(&one.name));
    difference
        .only_new
        .retain(|one| !is_kept_by_server(&one.name));
    difference
}

fn written(changes: &[ChangeRecord]) -> io::Result<Vec<u8>> {
    let mut writer = Writer::begin(Vec::new())?;
    for change in changes {
        writer.change(change)?;
    }
    writer.finish()
}

fn failed(reason: &str) -> Stop {
    Stop::new(Outcome::Failed, reason)
}
