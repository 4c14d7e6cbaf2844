//! How a server differs from what it was: two exports of its settings held against each other.

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;
use similar::TextDiff;

use super::kept::FileKind;
use super::{Disk, FirewallState, Inventory, Kept, KeptFile, text_without_secrets};

/// Only what differs is in it.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct Difference {
    pub parts: Vec<Part>,
    pub files: Vec<FileChange>,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Part {
    pub title: &'static str,
    pub changes: Vec<Change>,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Change {
    pub name: String,
    pub what: What,
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum What {
    /// It was there then.
    Gone,
    /// It was not there then.
    New,
    Changed {
        then: String,
        now: String,
    },
}

#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct FileChange {
    pub path: String,
    pub what: What,
    /// Lines as `diff -u` tells them, of what everybody may read.
    pub lines: Option<String>,
}

impl Difference {
    pub fn is_none(&self) -> bool {
        self.parts.is_empty() && self.files.is_empty()
    }
}

pub fn difference(then: &Kept, now: &Kept) -> Difference {
    let (before, after) = (Inventory::of(then), Inventory::of(now));
    let parts = [
        part("system", system, &before, &after),
        part("packages", |one| one.packages.clone(), &before, &after),
        part(
            "package sources",
            |one| names(&one.sources),
            &before,
            &after,
        ),
        part(
            "wanted by themselves",
            |one| names(&one.manual),
            &before,
            &after,
        ),
        part("held packages", |one| names(&one.held), &before, &after),
        part("groups", groups, &before, &after),
        part("accounts", accounts, &before, &after),
        part("units", units, &before, &after),
        part("crontabs", crontabs, &before, &after),
        part("mount table", mounts, &before, &after),
        part("disks", disks, &before, &after),
        part("network", network, &before, &after),
        part(
            "ssh host keys",
            |one| one.host_keys.clone(),
            &before,
            &after,
        ),
    ];
    Difference {
        parts: parts.into_iter().flatten().collect(),
        files: files(then, now),
    }
}

type Facts = BTreeMap<String, String>;

fn part(
    title: &'static str,
    facts: impl Fn(&Inventory) -> Facts,
    before: &Inventory,
    after: &Inventory,
) -> Option<Part> {
    let changes = changes(&facts(before), &facts(after));
    (!changes.is_empty()).then_some(Part { title, changes })
}

fn changes(then: &Facts, now: &Facts) -> Vec<Change> {
    let all: BTreeSet<&String> = then.keys().chain(now.keys()).collect();
    let change = |name: &String| {
        let what = match (then.get(name), now.get(name)) {
            (Some(_), None) => What::Gone,
            (None, _) => What::New,
            (Some(then), Some(now)) if then == now => return None,
            (Some(then), Some(now)) => What::Changed {
                then: then.clone(),
                now: now.clone(),
            },
        };
        Some(Change {
            name: name.clone(),
            what,
        })
    };
    all.into_iter().filter_map(change).collect()
}

fn names(set: &BTreeSet<String>) -> Facts {
    set.iter()
        .map(|name| (name.clone(), String::new()))
        .collect()
}

fn system(one: &Inventory) -> Facts {
    let firewall = match one.firewall {
        FirewallState::Rules(count) => format!("{count} rules"),
        FirewallState::NoRules => "no rules".to_owned(),
        FirewallState::Unknown => "not known".to_owned(),
    };
    let facts = [
        ("host name", &one.host),
        ("release", &one.release),
        ("architecture", &one.architecture),
        ("kernel", &one.kernel),
        ("start", &one.boot),
        ("target", &one.target),
        ("time zone", &one.time_zone),
        ("firewall", &firewall),
    ];
    let facts = facts.into_iter();
    facts
        .map(|(name, value)| (name.to_owned(), value.clone()))
        .collect()
}

fn groups(one: &Inventory) -> Facts {
    let groups = one.groups.iter().map(|(name, group)| {
        let mut members = group.members.clone();
        members.sort();
        let text = format!("number {}, members {}", group.number, members.join(" "));
        (name.clone(), text)
    });
    groups.collect()
}

fn accounts(one: &Inventory) -> Facts {
    let accounts = one.accounts.iter().map(|(name, account)| {
        let text = format!(
            "number {}, group {}, name `{}`, home {}, shell {}",
            account.number, account.group, account.comment, account.home, account.shell
        );
        (name.clone(), text)
    });
    accounts.collect()
}

/// Those that somebody decided on; the others come and go with their packages.
fn units(one: &Inventory) -> Facts {
    let decided = |state: &String| ["enabled", "masked", "disabled"].contains(&state.as_str());
    let units = one.units.iter().filter(|(_, state)| decided(state));
    units
        .map(|(unit, state)| (unit.clone(), state.clone()))
        .collect()
}

fn crontabs(one: &Inventory) -> Facts {
    let tables = one.crontabs.iter().map(|(file, lines)| {
        let lines = lines
            .iter()
            .map(|line| format!("{} as {}", line.when, line.account));
        (file.clone(), lines.collect::<Vec<_>>().join("; "))
    });
    tables.collect()
}

fn mounts(one: &Inventory) -> Facts {
    let mounts = one.mounts.iter();
    mounts
        .map(|mount| {
            (
                mount.point.clone(),
                format!("{}, {}", mount.device, mount.kind),
            )
        })
        .collect()
}

fn disks(one: &Inventory) -> Facts {
    let tell = |disk: &Disk| {
        let size = disk.size.to_string();
        let facts = std::iter::once(format!("{} of {size} bytes", disk.kind));
        let facts: Vec<String> = facts.chain(disk.facts.iter().cloned()).collect();
        (disk.name.clone(), facts.join(", "))
    };
    one.disks.iter().map(tell).collect()
}

fn network(one: &Inventory) -> Facts {
    let addresses = one.network.iter().map(|(name, addresses)| {
        let addresses: Vec<&str> = addresses.iter().map(String::as_str).collect();
        (name.clone(), addresses.join(" "))
    });
    let servers = ("name servers".to_owned(), one.name_servers.join(" "));
    addresses.chain([servers]).collect()
}

/// Made anew by programs again and again.
const PASSING: [&[u8]; 9] = [
    b"etc/.pwd.lock",
    b"etc/group-",
    b"etc/gshadow-",
    b"etc/ld.so.cache",
    b"etc/mtab",
    b"etc/passwd-",
    b"etc/shadow-",
    b"etc/subgid-",
    b"etc/subuid-",
];

fn files(then: &Kept, now: &Kept) -> Vec<FileChange> {
    let all: BTreeSet<&Vec<u8>> = then.files.keys().chain(now.files.keys()).collect();
    let all = all.into_iter().filter(|path| !PASSING.contains(&&path[..]));
    all.filter_map(|path| file(path, then, now)).collect()
}

fn file(path: &[u8], then: &Kept, now: &Kept) -> Option<FileChange> {
    let (what, lines) = match (then.files.get(path), now.files.get(path)) {
        (Some(before), Some(after)) if before == after => return None,
        (Some(before), Some(after)) => {
            let changed = What::Changed {
                then: attributes(before),
                now: attributes(after),
            };
            let can_be_read = then.is_open(path) && now.is_open(path);
            let lines = can_be_read.then(|| lines(before, after));
            (changed, lines.flatten())
        }
        (Some(_), None) => (What::Gone, None),
        (None, _) => (What::New, None),
    };
    Some(FileChange {
        path: format!("/{}", String::from_utf8_lossy(path)),
        what,
        lines,
    })
}

fn attributes(file: &KeptFile) -> String {
    let kind = match &file.kind {
        FileKind::File { .. } => "file".to_owned(),
        FileKind::Folder => "folder".to_owned(),
        FileKind::Link(target) => format!("link to {}", String::from_utf8_lossy(target)),
        FileKind::Other => "other".to_owned(),
    };
    let KeptFile {
        mode, owner, group, ..
    } = file;
    format!("{kind} of {owner} and {group}, mode {mode:04o}")
}

/// Of what everybody may read. What is no text is not shown.
fn lines(then: &KeptFile, now: &KeptFile) -> Option<String> {
    let text = |file: &KeptFile| match &file.kind {
        FileKind::File {
            content: Some(content),
            ..
        } if !content.contains(&0) => {
            let text = String::from_utf8(content.clone()).ok()?;
            Some(text_without_secrets(&text))
        }
        _ => None,
    };
    let (then, now) = (text(then)?, text(now)?);
    let diff = TextDiff::from_lines(&then, &now);
    let lines = diff.unified_diff().context_radius(1).to_string();
    (!lines.is_empty()).then_some(lines)
}

#[cfg(test)]
#[path = "difference_tests.rs"]
mod tests;
