//! The inventory beside an export of settings: what the server has and is, for a person who must make it anew.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use super::{bytes, count, counted, safe_line};
use crate::settings::{Disk, FirewallState, Inventory};

/// Each part says where it came from.
pub fn inventory_text(inventory: &Inventory) -> String {
    let mut text = String::new();
    let host = if inventory.host.is_empty() {
        "this server"
    } else {
        &inventory.host
    };
    line(
        &mut text,
        &format!(
            "What {host} had and was. No password, hash or private key is in here: those are in the closed archive beside it."
        ),
    );
    system(&mut text, inventory);
    disks(&mut text, inventory);
    network(&mut text, inventory);
    packages(&mut text, inventory);
    units(&mut text, inventory);
    accounts(&mut text, inventory);
    archive(&mut text, inventory);
    text
}

fn line(text: &mut String, words: &str) {
    let _ = writeln!(text, "{}", safe_line(words));
}

/// A part with its lines; nothing where there are none.
fn part(text: &mut String, title: &str, from: &str, lines: impl IntoIterator<Item = String>) {
    let mut lines = lines.into_iter().peekable();
    if lines.peek().is_none() {
        return;
    }
    text.push('\n');
    line(text, &format!("{title} (from {from})"));
    for one in lines {
        line(text, &format!("  {one}"));
    }
}

fn system(text: &mut String, one: &Inventory) {
    let facts = [
        ("host name", &one.host),
        ("release", &one.release),
        ("architecture", &one.architecture),
        ("kernel", &one.kernel),
        ("started by", &one.boot),
        ("starts into", &one.target),
        ("time zone", &one.time_zone),
    ];
    let known = facts.iter().filter(|(_, value)| !value.is_empty());
    part(
        text,
        "The system",
        "/etc/hostname, /etc/os-release, dpkg, uname, systemctl, /etc/localtime",
        known.map(|(name, value)| format!("{name:<14}{value}")),
    );
}

fn disks(text: &mut String, one: &Inventory) {
    let tell = |disk: &Disk| {
        let indent = "  ".repeat(disk.depth);
        let facts: String = disk
            .facts
            .iter()
            .fold(String::new(), |all, fact| all + ", " + fact);
        let (name, kind, size) = (&disk.name, &disk.kind, bytes(disk.size));
        format!(
            "{indent}{name}: {kind} of {size} ({} bytes){facts}",
            count(disk.size)
        )
    };
    part(
        text,
        "Disks",
        "lsblk; partition tables in the archive: disks/*.sfdisk",
        one.disks.iter().map(tell),
    );
    let mounts = one.mounts.iter();
    part(
        text,
        "Mount table",
        "/etc/fstab, without its options",
        mounts.map(|mount| format!("{} at {}, {}", mount.device, mount.point, mount.kind)),
    );
}

fn network(text: &mut String, one: &Inventory) {
    let addresses = one.network.iter().map(|(name, addresses)| {
        let addresses: Vec<&str> = addresses.iter().map(String::as_str).collect();
        format!("{name}: {}", addresses.join(", "))
    });
    let servers = one.name_servers.iter();
    let servers = servers.map(|server| format!("name server {server}"));
    part(
        text,
        "Network",
        "ip, /etc/resolv.conf",
        addresses.chain(servers),
    );
    let firewall = match one.firewall {
        FirewallState::NoRules => "no rules".to_owned(),
        FirewallState::Unknown => {
            "not known: neither nft nor iptables-save was there to tell".to_owned()
        }
        FirewallState::Rules(rules) => counted(rules as u64, "rule", "rules"),
    };
    part(text, "Firewall", "nft, iptables-save", [firewall]);
    let keys = one.host_keys.iter();
    part(
        text,
        "Keys it shows to ssh",
        "ssh-keygen, of the public halves",
        keys.map(|(file, fingerprint)| format!("{file}: {fingerprint}")),
    );
}

fn packages(text: &mut String, one: &Inventory) {
    part(
        text,
        "Sources of packages",
        "/etc/apt/sources.list and sources.list.d",
        one.sources.iter().cloned(),
    );
    let version = |name: &String| {
        let found = one.packages.get(name);
        let found = found.or_else(|| one.packages.get(&format!("{name}:{}", one.architecture)));
        let held = if one.held.contains(name) {
            ", held"
        } else {
            ""
        };
        format!("{name} {}{held}", found.map_or("", String::as_str))
    };
    let title = format!(
        "Packages wanted by themselves, {} of {}",
        count(one.manual.len() as u64),
        count(one.packages.len() as u64)
    );
    part(
        text,
        &title,
        "apt-mark, dpkg-query",
        one.manual.iter().map(version),
    );
}

fn units(text: &mut String, one: &Inventory) {
    for (state, title) in [("enabled", "Enabled units"), ("masked", "Masked units")] {
        let units = one.units.iter().filter(|(_, own)| *own == state);
        part(
            text,
            title,
            "systemctl list-unit-files",
            units.map(|(unit, _)| unit.clone()),
        );
    }
    let lines = one.crontabs.iter().flat_map(|(file, lines)| {
        let tell = move |line: &crate::settings::CronLine| {
            format!("{} as {} ({file})", line.when, line.account)
        };
        lines.iter().map(tell)
    });
    part(
        text,
        "Times of cron, without the commands",
        "the files named",
        lines,
    );
}

fn accounts(text: &mut String, one: &Inventory) {
    let group_names: BTreeMap<&str, &str> = (one.groups.iter())
        .map(|(name, group)| (group.number.as_str(), name.as_str()))
        .collect();
    let accounts = one.accounts.iter().map(|(name, account)| {
        let group = group_names.get(account.group.as_str());
        let (number, home, shell) = (&account.number, &account.home, &account.shell);
        let group = group.copied().unwrap_or(&account.group);
        format!("{name}: {number}, group {group}, home {home}, shell {shell}")
    });
    part(text, "Accounts", "/etc/passwd", accounts);
    let groups = one.groups.iter().map(|(name, group)| {
        let members = group.members.join(", ");
        let colon = if members.is_empty() { "" } else { ": " };
        format!("{name} {}{colon}{members}", group.number)
    });
    part(text, "Groups", "/etc/group", groups);
}

fn archive(text: &mut String, one: &Inventory) {
    let files = format!("files.tar: {}", counted(one.files as u64, "name", "names"));
    let members = one.members.iter().cloned();
    part(
        text,
        "In the closed archive",
        "this export",
        [files].into_iter().chain(members),
    );
    part(
        text,
        "Programs that were not installed, and so told nothing",
        "PATH",
        one.not_installed.iter().cloned(),
    );
}
