//! Steps on members that are LDIF: whether two are the same, and a configuration that fits a folder of its own.

use std::fmt::Write as _;
use std::io::{self, BufReader, Read};
use std::sync::Arc;

use super::{Kept, keep};
use crate::ldif::{AttributeNames, Compared, Difference, Digests, Reader, Writer, differences};
use crate::plan::{Content, Member, SameEntries, ScratchConfig, Stop};
use crate::record::Outcome;
use crate::report::counted;
use crate::run::Executor;
use crate::tools::slapd_config;

/// Entries that differ and are told of.
const MOST: usize = 5;

impl Executor<'_> {
    pub(in crate::run) fn same_entries(&mut self, wanted: &SameEntries) -> Result<String, Stop> {
        let (exported, loaded) = (self.member(&wanted.exported)?, self.member(&wanted.loaded)?);
        let aside = AttributeNames::default();
        let compared = compare(&exported, &loaded, &aside).map_err(|error| failed(&error))?;
        if compared.is_same() {
            let entries = counted(compared.same as u64, "entry", "entries");
            return Ok(format!("{entries}, the same"));
        }
        let details = entries(&exported)
            .and_then(|then| Ok((then, entries(&loaded)?)))
            .and_then(|(then, now)| {
                differences(then, now, &compared, &aside, MOST).map_err(io::Error::other)
            });
        let details = details.map_err(|error| failed(&error))?;
        let reason = format!(
            "what was loaded from `{}` is not the same: {}",
            wanted.exported,
            words(&compared)
        );
        let mut stop = Stop::new(Outcome::Failed, reason);
        for key in compared.only_old.iter().take(MOST) {
            stop = stop.advise(format!("was not loaded: `{key}`"));
        }
        for key in compared.only_new.iter().take(MOST) {
            stop = stop.advise(format!("is not in the export: `{key}`"));
        }
        for one in details {
            stop = stop.advise(format!("`{}`: {}", one.dn, names(&one.difference)));
        }
        Err(stop)
    }

    pub(in crate::run) fn scratch_config(
        &mut self,
        wanted: &ScratchConfig,
    ) -> Result<String, Stop> {
        let from = self.member(&wanted.from)?;
        let scratch = self.scratch.clone();
        let made = made_to_fit(&from, wanted, &scratch).map_err(|error| failed(&error))?;
        self.members.push(Arc::new(made));
        Ok("done".to_owned())
    }
}

fn made_to_fit(from: &Kept, wanted: &ScratchConfig, scratch: &std::path::Path) -> io::Result<Kept> {
    // a configuration is small: slapd holds all of it in memory
    let mut writer = Writer::for_slapadd(Vec::new());
    let mut number = 0;
    for entry in entries(from)?.entries() {
        let entry = entry.map_err(io::Error::other)?;
        let has_folder = slapd_config::database(&entry).is_some();
        let entry = slapd_config::in_folder(entry, &wanted.folder, number);
        number += usize::from(has_folder);
        writer.entry(&entry)?;
    }
    let member = Member {
        name: wanted.to.clone(),
        content: Content::Ldif,
    };
    keep(&member, &writer.finish()?[..], scratch)
}

pub fn entries(kept: &Kept) -> io::Result<Reader<BufReader<impl Read + use<>>>> {
    Ok(Reader::new(BufReader::new(kept.open()?)))
}

fn compare(exported: &Kept, loaded: &Kept, aside: &AttributeNames) -> io::Result<Compared> {
    let digests = |kept: &Kept| Digests::of(&mut entries(kept)?, aside).map_err(io::Error::other);
    Ok(Digests::compare(&digests(exported)?, &digests(loaded)?))
}

fn words(compared: &Compared) -> String {
    let mut words = String::new();
    let parts = [
        (compared.only_old.len(), "not loaded"),
        (compared.only_new.len(), "not in the export"),
        (compared.differ.len(), "different"),
    ];
    for (amount, what) in parts.into_iter().filter(|(amount, _)| *amount > 0) {
        if !words.is_empty() {
            words.push_str(", ");
        }
        let entries = counted(amount as u64, "entry", "entries");
        let _ = write!(words, "{entries} {what}");
    }
    words
}

/// The attributes, never their values: some are secret.
fn names(difference: &Difference) -> String {
    let of = |values: &[crate::ldif::AttributeValue]| {
        let mut names: Vec<String> = values.iter().map(|one| one.name.to_string()).collect();
        names.dedup();
        names.join(", ")
    };
    match (
        difference.only_old.is_empty(),
        difference.only_new.is_empty(),
    ) {
        (false, true) => format!("without values of {}", of(&difference.only_old)),
        (true, _) => format!("with other values of {}", of(&difference.only_new)),
        (false, false) => format!(
            "values of {} became others of {}",
            of(&difference.only_old),
            of(&difference.only_new)
        ),
    }
}

fn failed(error: &io::Error) -> Stop {
    Stop::new(Outcome::Failed, error.to_string())
}
