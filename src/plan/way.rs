//! How a history is copied: natively, sharing by links or snapshots, or by rsync alone; and why.

use super::native::{Known, KnownBy, Sharing};
use super::{Facts, FileSystem};
use crate::jobs::Source;
use crate::record::{Form, GenerationName};

/// The way that fits source and drive, with the reason in words.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Way {
    pub by: By,
    pub because: String,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub enum By {
    Rsync,
    Native {
        sharing: Sharing,
        against: Option<Known>,
    },
}

/// File systems on which files can have several names, and owners, modes and times of Linux's kind.
const LINKING: [&str; 9] = [
    "ext2", "ext3", "ext4", "xfs", "btrfs", "f2fs", "jfs", "zfs", "tmpfs",
];

pub fn choose(source: &Source, facts: &Facts) -> Way {
    let rsync = |because: String| Way {
        by: By::Rsync,
        because,
    };
    let drive = &facts.landing.drive;
    if let Source::Ssh { .. } = source {
        return rsync("the source is on another host".to_owned());
    }
    let Some(file_system) = &facts.file_system else {
        return rsync(format!("`{drive}` is on another host"));
    };
    if !LINKING.contains(&file_system.kind.as_str()) {
        let kind = &file_system.kind;
        return rsync(format!("`{drive}` is {kind}"));
    }
    let against = known(facts);
    let (sharing, because) = sharing(facts, file_system, against);
    Way {
        by: By::Native { sharing, against },
        because,
    }
}

/// The newest generation whose source is indexed; without one, the newest that has a manifest.
fn known(facts: &Facts) -> Option<Known> {
    let newest = |by: KnownBy, names: &[GenerationName]| {
        let mut trees = facts.generations.iter();
        let found = trees.find(|one| one.form == Form::Tree && names.contains(&one.name));
        found.map(|one| Known {
            generation: one.name,
            by,
        })
    };
    newest(KnownBy::Index, &facts.indexed).or_else(|| newest(KnownBy::Manifest, &facts.manifests))
}

fn sharing(facts: &Facts, file_system: &FileSystem, against: Option<Known>) -> (Sharing, String) {
    let drive = &facts.landing.drive;
    let kind = &file_system.kind;
    if kind != "btrfs" {
        let because = format!("`{drive}` is {kind}, on which generations share files by links");
        return (Sharing::Links, because);
    }
    if !file_system.has_btrfs_program {
        let because = format!("`{drive}` is btrfs, but the program `btrfs` is not on PATH");
        return (Sharing::Links, because);
    }
    let is_subvolume = |known: Known| facts.subvolumes.contains(&known.generation.to_string());
    if against.is_none_or(is_subvolume) {
        let because = format!("`{drive}` is btrfs, on which each generation is a snapshot");
        return (Sharing::Snapshot, because);
    }
    let because = format!("the last generation on `{drive}` is a plain folder, not a subvolume");
    (Sharing::Links, because)
}
