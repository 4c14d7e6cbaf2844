//! `kind = "settings"`: what makes a new installation this server again. The files of its settings as one tar archive, a
//! text for each thing that a standard command tells, and a script that brings it back.

use std::borrow::Cow;
use std::path::Path;

use super::Frame;
use super::export::{Beside, Export};
use crate::plan::{
    Act, Argv, Boot, Content, Member, Part, Pipeline, Reading, ServiceFacts, SettingsFacts, Stdin,
    Stdout, Step, Told,
};
use crate::record::GenerationName;
use crate::tools::{
    apt_mark, blkid, dpkg, files, findmnt, firewall, ip, kernel, lsblk, sfdisk, ssh_keygen, stat,
    systemctl, tar, volumes,
};

/// The files, with their owners by name.
pub const FILES: &str = "files.tar";
/// The script, for a shell.
pub const SCRIPT: &str = "apply";

/// Every program that may be asked. What is not installed has nothing to tell.
pub const PROGRAMS: [&str; 18] = [
    "apt-mark",
    "blkid",
    "dpkg",
    "dpkg-query",
    "efibootmgr",
    "findmnt",
    "ip",
    "ip6tables-save",
    "iptables-save",
    "lsblk",
    "lvm",
    "mdadm",
    "nft",
    "sfdisk",
    "ssh-keygen",
    "sysctl",
    "systemctl",
    "uname",
];

pub fn export(frame: Frame, generation: GenerationName) -> Export {
    // without facts there is a stop, and no step is run
    let ServiceFacts::Settings(facts) = &frame.facts.service else {
        return Export {
            told: Told::new(),
            members: Vec::new(),
            beside: None,
        };
    };
    let own_program = &frame.facts.own_program;
    let hidden = |command: &str| Argv::new(own_program).arg(command);
    let mut members = members(facts);
    members.push(member(
        "add the script that brings it back",
        SCRIPT,
        hidden("settings-script"),
        Reading::Plain,
    ));
    Export {
        told: told(facts),
        members,
        beside: Some(Beside {
            words: "write the inventory, without anything secret".to_owned(),
            name: generation.inventory(),
            argv: hidden("settings-inventory"),
        }),
    }
}

/// Everything that is kept of what this server is now.
pub fn members(facts: &SettingsFacts) -> Vec<Step> {
    let files = member(
        "keep the files of its settings, with owners and attributes",
        FILES,
        tar::create_with_names(&facts.paths),
        Reading::Tar,
    );
    let topics = topics(facts).into_iter().map(|(name, argv)| {
        let words = format!("note {}", name.trim_end_matches(".txt"));
        member(words, &name, argv, Reading::Optional)
    });
    [files].into_iter().chain(topics).collect()
}

fn told(facts: &SettingsFacts) -> Told {
    let missing: Vec<&str> = facts.missing.iter().map(String::as_str).collect();
    let boot = match facts.boot {
        Boot::Efi => "EFI",
        Boot::Other => "not EFI",
    };
    let pairs = [
        ("boot", boot.to_owned()),
        ("not installed", missing.join(" ")),
    ];
    pairs.map(|(name, value)| (name.to_owned(), value)).into()
}

fn member(words: impl Into<String>, name: &str, argv: Argv, reading: Reading) -> Step {
    let pipeline = Pipeline {
        stages: vec![argv],
        stdin: Stdin::Nothing,
        stdout: Stdout::Member(Member {
            name: name.to_owned(),
            content: Content::Plain,
        }),
        reading,
        retries: Vec::new(),
    };
    Step::new(Part::Copy, words, Act::Tool(pipeline))
}

/// Every topic whose program is installed: the name of its member, and the command that tells it. What is in one folder
/// comes together: an archive is told of in that order.
pub fn topics(facts: &SettingsFacts) -> Vec<(String, Argv)> {
    let fixed = FIXED
        .iter()
        .map(|(name, argv)| ((*name).to_owned(), argv()));
    let is_there = |(_, argv): &(String, Argv)| {
        let program = argv.program.to_string_lossy();
        !facts.missing.contains(program.as_ref())
    };
    let all = fixed.chain(of_this_server(facts)).filter(is_there);
    let mut topics: Vec<(String, Argv)> = all.collect();
    topics.sort_by(|one, other| one.0.cmp(&other.0));
    topics
}

type Topic = (&'static str, fn() -> Argv);

/// What is asked of every server.
const FIXED: [Topic; 20] = [
    ("disks/blkid.txt", blkid::all),
    ("disks/lsblk.json", lsblk::all),
    ("disks/lvm.json", volumes::lvm_report),
    ("disks/mdadm.txt", volumes::arrays),
    ("disks/mounts.json", findmnt::all),
    ("firewall/ip6tables.txt", || {
        firewall::saved("ip6tables-save")
    }),
    ("firewall/iptables.txt", || firewall::saved("iptables-save")),
    ("firewall/nft.txt", firewall::nft_rules),
    ("kernel/name.txt", kernel::name),
    ("kernel/settings.txt", kernel::settings),
    ("network/addresses.json", ip::addresses),
    ("network/routes.json", ip::routes),
    ("packages/architecture.txt", dpkg::architecture),
    ("packages/conffiles.txt", dpkg::conffiles),
    (
        "packages/foreign-architectures.txt",
        dpkg::foreign_architectures,
    ),
    ("packages/holds.txt", apt_mark::held),
    ("packages/manual.txt", apt_mark::manual),
    ("packages/versions.txt", dpkg::versions),
    ("units/default-target.txt", systemctl::default_target),
    ("units/files.txt", systemctl::unit_files),
];

/// Files that are no settings, or links to such; each is told where it is there.
pub const TEXTS: [(&str, &str); 5] = [
    ("disks/swaps.txt", "/proc/swaps"),
    ("kernel/command-line.txt", "/proc/cmdline"),
    ("kernel/modules.txt", "/proc/modules"),
    ("network/resolver.txt", "/etc/resolv.conf"),
    ("system/os-release.txt", "/etc/os-release"),
];

/// What this server has of its own.
fn of_this_server(facts: &SettingsFacts) -> impl Iterator<Item = (String, Argv)> + use<'_> {
    let disks = facts.disks.iter().map(|disk| {
        let name = format!("disks/{}.sfdisk", name_of(disk));
        (name, sfdisk::dump(disk))
    });
    let keys = facts.host_keys.iter().map(|key| {
        let name = name_of(key);
        let name = format!("ssh/{}.txt", name.trim_end_matches(".pub"));
        (name, ssh_keygen::fingerprint(key))
    });
    let homes = (!facts.homes.is_empty())
        .then(|| ("accounts/homes.txt".to_owned(), stat::folders(&facts.homes)));
    let boot = (facts.boot == Boot::Efi)
        .then(|| ("kernel/boot-entries.txt".to_owned(), kernel::boot_entries()));
    let texts = TEXTS
        .iter()
        .filter(|(_, file)| facts.texts.contains(Path::new(file)));
    let texts = texts.map(|(name, file)| ((*name).to_owned(), files::print(Path::new(file))));
    (disks.chain(keys).chain(homes)).chain(boot).chain(texts)
}

fn name_of(path: &Path) -> Cow<'_, str> {
    path.file_name().unwrap_or_default().to_string_lossy()
}
