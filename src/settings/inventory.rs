//! What a server has and is, without anything secret: read from what an export of its settings holds.

use std::collections::{BTreeMap, BTreeSet};

use super::kept::FileKind;
use super::{
    AccountLine, CronLine, GroupLine, Kept, MountLine, Whose, read_crontab, read_fstab,
    read_groups, read_passwd, read_sources,
};
use crate::record::Export;
use crate::tools::{dpkg, ip, lsblk, systemctl};

/// No password, hash or private key is in it, nor anything that may hold one.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Inventory {
    pub host: String,
    pub release: String,
    pub architecture: String,
    pub kernel: String,
    /// `EFI`, or not.
    pub boot: String,
    pub time_zone: String,
    pub accounts: BTreeMap<String, AccountLine>,
    pub groups: BTreeMap<String, GroupLine>,
    /// With their versions.
    pub packages: BTreeMap<String, String>,
    /// Those that a person wanted.
    pub manual: BTreeSet<String>,
    pub held: BTreeSet<String>,
    pub sources: BTreeSet<String>,
    /// Unit files with their states.
    pub units: BTreeMap<String, String>,
    pub target: String,
    /// By the file that holds them.
    pub crontabs: BTreeMap<String, Vec<CronLine>>,
    pub mounts: Vec<MountLine>,
    pub disks: Vec<Disk>,
    /// Interfaces with their addresses.
    pub network: BTreeMap<String, BTreeSet<String>>,
    pub name_servers: Vec<String>,
    pub firewall: FirewallState,
    /// Fingerprints of public keys, by the file of the key.
    pub host_keys: BTreeMap<String, String>,
    /// Programs that were not there to be asked.
    pub not_installed: Vec<String>,
    /// The members of the export.
    pub members: BTreeSet<String>,
    pub files: usize,
}

/// A disk, a partition, or what is made of such, told in one line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Disk {
    pub depth: usize,
    pub name: String,
    pub kind: String,
    pub size: u64,
    /// Its model, table or type; the file system on it, with label, UUID and where it is mounted.
    pub facts: Vec<String>,
}

#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum FirewallState {
    /// With so many lines of rules.
    Rules(usize),
    NoRules,
    /// No program that knows was there.
    #[default]
    Unknown,
}

impl Inventory {
    pub fn of(kept: &Kept) -> Self {
        let text = |name: &str| String::from_utf8_lossy(kept.text(name)).into_owned();
        let line = |name: &str| text(name).trim().to_owned();
        let set = |name: &str| text(name).lines().map(ToOwned::to_owned).collect();
        let told = serde_json::from_slice::<Export>(kept.text(Export::NAME)).map(|list| list.told);
        let told = told.unwrap_or_default();
        let told = |name: &str| told.get(name).cloned().unwrap_or_default();
        Self {
            host: first_line(kept.content("etc/hostname")),
            release: release(&text("system/os-release.txt")),
            architecture: line("packages/architecture.txt"),
            kernel: kernel(&text("kernel/name.txt")),
            boot: told("boot"),
            time_zone: time_zone(kept),
            accounts: read_passwd(kept.content("etc/passwd")),
            groups: read_groups(kept.content("etc/group")),
            packages: dpkg::read_versions(&text("packages/versions.txt"))
                .map(|(name, version)| (name.to_owned(), version.to_owned()))
                .collect(),
            manual: set("packages/manual.txt"),
            held: set("packages/holds.txt"),
            sources: sources(kept),
            units: systemctl::read_unit_files(&text("units/files.txt"))
                .map(|(unit, state)| (unit.to_owned(), state.to_owned()))
                .chain(instances(kept))
                .collect(),
            target: line("units/default-target.txt"),
            crontabs: crontabs(kept),
            mounts: read_fstab(kept.content("etc/fstab")),
            disks: disks(&lsblk::read(kept.text("disks/lsblk.json"))),
            network: network(kept.text("network/addresses.json")),
            name_servers: name_servers(&text("network/resolver.txt")),
            firewall: firewall(kept),
            host_keys: host_keys(kept),
            not_installed: (told("not installed").split_whitespace())
                .map(ToOwned::to_owned)
                .collect(),
            members: kept.texts.keys().cloned().collect(),
            files: kept.files.len(),
        }
    }
}

fn first_line(text: &[u8]) -> String {
    let text = String::from_utf8_lossy(text);
    text.lines().next().unwrap_or_default().trim().to_owned()
}

/// os-release(5)
fn release(text: &str) -> String {
    let name = text
        .lines()
        .find_map(|line| line.strip_prefix("PRETTY_NAME="));
    name.unwrap_or_default().trim_matches('"').to_owned()
}

/// uname(1) with `-a`: system, host, release, and more.
fn kernel(text: &str) -> String {
    let words: Vec<&str> = text.split_whitespace().collect();
    match words[..] {
        [system, _, release, ..] => format!("{system} {release}"),
        _ => String::new(),
    }
}

/// localtime(5): a link into the folder of time zones.
fn time_zone(kept: &Kept) -> String {
    let link = kept.files.get(&b"etc/localtime"[..]).map(|file| &file.kind);
    if let Some(FileKind::Link(target)) = link {
        let target = String::from_utf8_lossy(target).into_owned();
        if let Some((_, zone)) = target.split_once("zoneinfo/") {
            return zone.to_owned();
        }
    }
    first_line(kept.content("etc/timezone"))
}

fn sources(kept: &Kept) -> BTreeSet<String> {
    let own = [(
        "sources.list".to_owned(),
        kept.content("etc/apt/sources.list"),
    )];
    let all = own
        .into_iter()
        .chain(kept.in_folder("etc/apt/sources.list.d"));
    all.flat_map(|(name, text)| read_sources(&name, text))
        .collect()
}

/// Units of a template, which are told by their links only: `orders@kiln.service` (systemd.unit(5)).
fn instances(kept: &Kept) -> impl Iterator<Item = (String, String)> {
    kept.files.keys().filter_map(|path| {
        let path = String::from_utf8_lossy(path);
        let (folder, unit) = path.strip_prefix("etc/systemd/system/")?.split_once('/')?;
        let is_link = folder.ends_with(".wants") || folder.ends_with(".requires");
        let is_instance = unit.contains('@') && !unit.contains("@.") && !unit.contains('/');
        (is_link && is_instance).then(|| (unit.to_owned(), "enabled".to_owned()))
    })
}

fn crontabs(kept: &Kept) -> BTreeMap<String, Vec<CronLine>> {
    let folder = "var/spool/cron/crontabs";
    let own = kept.in_folder(folder).map(|(name, text)| {
        let lines = read_crontab(text, Whose::Of(&name));
        (format!("/{folder}/{name}"), lines)
    });
    let of_system = kept
        .in_folder("etc/cron.d")
        .map(|(name, text)| (format!("/etc/cron.d/{name}"), text))
        .chain([("/etc/crontab".to_owned(), kept.content("etc/crontab"))]);
    let of_system = of_system.map(|(name, text)| (name, read_crontab(text, Whose::InLines)));
    own.chain(of_system)
        .filter(|(_, lines)| !lines.is_empty())
        .collect()
}

fn disks(devices: &[lsblk::Device]) -> Vec<Disk> {
    let mut disks = Vec::new();
    for device in devices {
        // files, memory and empty readers are no disks
        let skipped = ["loop", "rom"].contains(&device.kind.as_str()) || device.size == 0;
        if !skipped && !device.name.starts_with("ram") {
            tell_device(device, 0, &mut disks);
        }
    }
    disks
}

fn tell_device(device: &lsblk::Device, depth: usize, disks: &mut Vec<Disk>) {
    let is_disk = device.kind == "disk";
    let named = |word: &str, value: &Option<String>| value.as_ref().map(|v| format!("{word} {v}"));
    let points = device.mountpoints.iter().flatten();
    let facts = [
        device.model.as_ref().map(|model| model.trim().to_owned()),
        named("table", &device.pttype).filter(|_| is_disk),
        device.parttypename.clone(),
        device.fstype.clone(),
        named("label", &device.label),
        named("UUID", &device.uuid),
    ];
    let facts = facts.into_iter().flatten();
    disks.push(Disk {
        depth,
        name: device.name.clone(),
        kind: device.kind.clone(),
        size: device.size,
        facts: facts
            .chain(points.map(|point| format!("at {point}")))
            .collect(),
    });
    for child in &device.children {
        tell_device(child, depth + 1, disks);
    }
}

fn network(text: &[u8]) -> BTreeMap<String, BTreeSet<String>> {
    let interfaces = ip::read_addresses(text).into_iter();
    let addresses = |interface: ip::Interface| {
        let own = interface.address.into_iter();
        let given = interface.addr_info.into_iter();
        let given = given.map(|one| format!("{}/{}", one.local, one.prefixlen));
        (interface.ifname, own.chain(given).collect())
    };
    interfaces
        .filter(|interface| interface.ifname != "lo")
        .map(addresses)
        .collect()
}

/// resolver(5)
fn name_servers(text: &str) -> Vec<String> {
    let servers = text
        .lines()
        .filter_map(|line| line.strip_prefix("nameserver"));
    servers.map(|server| server.trim().to_owned()).collect()
}

/// iptables-save(8) writes each rule as a line with `-A`; nft(8) each in a chain, indented twice.
fn firewall(kept: &Kept) -> FirewallState {
    let count = |name: &str, begin: &str| {
        let text = String::from_utf8_lossy(kept.text(name)).into_owned();
        text.lines().filter(|line| line.starts_with(begin)).count()
    };
    let saved = count("firewall/iptables.txt", "-A") + count("firewall/ip6tables.txt", "-A");
    let is_known = kept.texts.keys().any(|name| name.starts_with("firewall/"));
    match count("firewall/nft.txt", "\t\t").max(saved) {
        0 if !is_known => FirewallState::Unknown,
        0 => FirewallState::NoRules,
        rules => FirewallState::Rules(rules),
    }
}

fn host_keys(kept: &Kept) -> BTreeMap<String, String> {
    let keys = kept.texts.iter().filter_map(|(name, text)| {
        let file = name.strip_prefix("ssh/")?.strip_suffix(".txt")?;
        Some((file.to_owned(), first_line(text)))
    });
    keys.collect()
}
