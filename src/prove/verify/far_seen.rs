//! What another host tells of names, in the words of a manifest; and how things are kept where the account is not root.

use std::collections::HashSet;
use std::ffi::OsStr;
use std::hash::{BuildHasher, RandomState};
use std::os::unix::ffi::OsStrExt;

use sha2::{Digest as _, Sha256};

use super::compare::Attributes;
use super::ledger::Sum;
use crate::prove::manifest::{Digest, Entry, EntryKind, Time};
use crate::record::What;
use crate::tools::far_look;
use crate::tools::ssh::SshLine;

/// What is over there under a name.
#[derive(Debug, Clone)]
pub struct Far {
    pub entry: Entry,
    pub device: u64,
    pub inode: u64,
    pub links: u64,
    pub changed: Vec<u8>,
}

/// As rsync keeps it for an account that is not root (rsync(1), `--fake-super`; how, its source tells): a link as a
/// file that holds the target, a device, socket or pipe as an empty one.
pub fn as_kept(mut entry: Entry, attributes: Attributes) -> Entry {
    if attributes != Attributes::TimeOnly {
        return entry;
    }
    let content = match &entry.kind {
        EntryKind::Folder | EntryKind::File { .. } => return entry,
        EntryKind::Link { target } => target.clone(),
        _ => Vec::new(),
    };
    entry.kind = EntryKind::File {
        size: content.len() as u64,
        digest: Some(Digest(Sha256::digest(&content).into())),
    };
    entry
}

pub const UNREAD: &str = "the other host could not read it";

/// `./` in front, so that no name is taken for an option.
pub fn own_name(path: &[u8]) -> Vec<u8> {
    [b"./", path].concat()
}

pub fn far(attributes: &far_look::Attributes, target: &[u8]) -> Far {
    let kind = match attributes.kind {
        b'd' => EntryKind::Folder,
        b'l' => EntryKind::Link {
            target: target.to_vec(),
        },
        b'p' => EntryKind::Fifo,
        b's' => EntryKind::Socket,
        b'c' => EntryKind::CharDevice { major: 0, minor: 0 },
        b'b' => EntryKind::BlockDevice { major: 0, minor: 0 },
        _ => EntryKind::File {
            size: attributes.size,
            digest: None,
        },
    };
    Far {
        entry: Entry {
            path: Vec::new(),
            kind,
            mode: attributes.mode,
            uid: attributes.uid,
            gid: attributes.gid,
            time: Time {
                seconds: attributes.seconds,
                nanos: attributes.nanos,
            },
        },
        device: attributes.device,
        inode: attributes.inode,
        links: attributes.links,
        changed: attributes.changed.to_vec(),
    }
}

/// The other host's programs say on standard error why they could not look or read: that comes when all is done.
pub fn word_complaints(sum: &mut Sum, complaints: &str) {
    if complaints.is_empty() {
        return;
    }
    let lines: Vec<&str> = complaints.lines().collect();
    for finding in &mut sum.findings {
        if !matches!(finding.what, What::Missing | What::Unreadable) {
            continue;
        }
        let name = OsStr::from_bytes(finding.path.as_os_str().as_bytes()).to_string_lossy();
        let about = lines.iter().find(|line| {
            line.contains(&format!("./{name}':")) || line.contains(&format!("./{name}:"))
        });
        let Some(why) = about.and_then(|line| line.rsplit(": ").next()) else {
            continue;
        };
        if finding.what == What::Missing && why != "No such file or directory" {
            finding.what = What::Unreadable;
            sum.found.missing -= 1;
            sum.found.unreadable += 1;
        }
        if finding.what == What::Unreadable {
            finding.words = format!("{UNREAD}: {why}");
        }
    }
}

/// Every path of a manifest, as a hash of it.
#[derive(Debug, Default)]
pub struct AllNames {
    hasher: RandomState,
    hashes: HashSet<u64>,
}

impl AllNames {
    pub fn add(&mut self, path: &[u8]) {
        self.hashes.insert(self.hasher.hash_one(path));
    }

    pub fn has(&self, path: &[u8]) -> bool {
        self.hashes.contains(&self.hasher.hash_one(path))
    }
}

/// What cannot be held against the manifest on such a drive, in words; `None` when all can.
pub fn not_compared(line: &SshLine) -> Option<String> {
    line.keeps_owners_in_xattrs().then(|| {
        format!(
            "owners, modes and devices were not compared: the account `{}` on `{}` is not root and keeps them elsewhere",
            line.host.user, line.host.host
        )
    })
}
