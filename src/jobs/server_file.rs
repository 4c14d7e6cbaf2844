//! `server.toml`: the server, its mail, its drives and its machines.

use std::collections::{BTreeMap, BTreeSet};
use std::ops::Range;
use std::path::PathBuf;

use toml::de::DeTable;

use super::reading::{Findings, Table, Value};
use super::{Drive, DrivePlace, Machine, MailSettings, Mistake, Name, Server};

/// `server.toml` as far as it could be read.
#[derive(Default)]
pub struct ReadServer {
    pub server: Option<Server>,
    pub mail: Option<MailSettings>,
    pub drives: BTreeMap<Name, Drive>,
    pub machines: BTreeMap<Name, Machine>,
    /// Every drive that is named, also those with mistakes; `None` when they could not all be read.
    pub drive_names: Option<BTreeSet<String>>,
}

impl ReadServer {
    pub fn read<'t>(findings: &'t Findings<'t>, tree: &'t DeTable<'t>) -> Self {
        let mut root = Table::new(findings, "server.toml", 0..0, tree);
        let server = root.require(
            "server",
            "begin the file with a line `[server]` and a `name` below it",
        );
        let mail = root.take("mail");
        let drives = root.require(
            "drives",
            "add a drive: a line `[drives.shelf]`, with `path` and `uuid` below it",
        );
        let machines = root.take("machines");
        root.finish();
        let drives = drives.map(|value| named(&value, "drives"));
        let known = drives.as_ref().filter(|_| findings.is_whole());
        let drive_names = known.map(|drives| drives.iter().map(|d| d.text.to_owned()).collect());
        let drives = drives.unwrap_or_default();
        let machines = machines
            .map(|value| named(&value, "machines"))
            .unwrap_or_default();
        Self {
            server: server
                .and_then(|value| value.table("`[server]`", "a table begun by a line `[server]`"))
                .and_then(Server::read),
            mail: mail
                .and_then(|value| value.table("`[mail]`", "a table begun by a line `[mail]`"))
                .and_then(MailSettings::read),
            drives: read_drives(findings, drives),
            machines: read_machines(findings, machines),
            drive_names,
        }
    }
}

/// `[drives.shelf]`: the name and the table behind it.
struct Entry<'t> {
    text: &'t str,
    range: Range<usize>,
    name: Option<Name>,
    table: Option<Table<'t>>,
}

fn named<'t>(value: &Value<'t>, group: &str) -> Vec<Entry<'t>> {
    let expected = format!("tables begun by a line such as `[{group}.shelf]`");
    let Some(table) = value.table(format!("`[{group}]`"), &expected) else {
        return Vec::new();
    };
    let findings = table.findings;
    let read = table.into_entries().map(|(text, range, value)| {
        let name = Name::read(text)
            .map_err(|mistake| findings.error(&range, mistake))
            .ok();
        let mut table = value.table(format!("`[{group}.{text}]`"), &expected);
        if let Some(table) = &mut table {
            table.range = range.clone();
        }
        Entry {
            text,
            range,
            name,
            table,
        }
    });
    read.collect()
}

fn read_drives(findings: &Findings<'_>, entries: Vec<Entry<'_>>) -> BTreeMap<Name, Drive> {
    let mut drives: BTreeMap<Name, Drive> = BTreeMap::new();
    let mut entries = entries;
    entries.sort_by_key(|entry| entry.range.start);
    for entry in entries {
        let Some(drive) = entry.table.and_then(|table| Drive::read(entry.name, table)) else {
            continue;
        };
        if let Some(other) = drives.values().find(|other| same_place(other, &drive)) {
            let message = format!("`{}` and `{}` are the same drive", other.name, drive.name);
            findings.error(
                &entry.range,
                Mistake::new(message)
                    .help("two copies on one drive are lost together: keep one of the two"),
            );
        }
        drives.insert(drive.name.clone(), drive);
    }
    drives
}

fn same_place(a: &Drive, b: &Drive) -> bool {
    match (&a.place, &b.place) {
        (
            DrivePlace::Local { path, uuid },
            DrivePlace::Local {
                path: other_path,
                uuid: other,
            },
        ) => path == other_path || uuid.eq_ignore_ascii_case(other),
        (
            DrivePlace::Ssh { host, path },
            DrivePlace::Ssh {
                host: other_host,
                path: other,
            },
        ) => host == other_host && path == other,
        _ => false,
    }
}

fn read_machines(findings: &Findings<'_>, entries: Vec<Entry<'_>>) -> BTreeMap<Name, Machine> {
    let mut machines: BTreeMap<Name, Machine> = BTreeMap::new();
    let mut folders: BTreeMap<PathBuf, Name> = BTreeMap::new();
    let mut entries = entries;
    entries.sort_by_key(|entry| entry.range.start);
    for entry in entries {
        let Some(machine) = entry
            .table
            .and_then(|table| Machine::read(entry.name, table))
        else {
            continue;
        };
        let overlapping = folders.iter().find(|(folder, _)| {
            folder.starts_with(&machine.folder) || machine.folder.starts_with(folder)
        });
        if let Some((_, other)) = overlapping {
            let message = format!(
                "the landing folders of `{other}` and `{}` overlap",
                machine.name
            );
            findings.error(
                &entry.range,
                Mistake::new(message).help(
                    "give each machine a folder of its own, so that the silence of one is heard",
                ),
            );
        }
        folders.insert(machine.folder.clone(), machine.name.clone());
        machines.insert(machine.name.clone(), machine);
    }
    machines
}
