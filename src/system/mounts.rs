//! What is mounted where: `/proc/self/mountinfo`, proc(5).

use std::ffi::{OsStr, OsString};
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::path::{Path, PathBuf};
use std::{fs, io};

/// One mounted file system.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mount {
    /// As statx(2) gives it for any file there.
    pub id: u64,
    pub point: PathBuf,
    pub fs_type: String,
    /// The device, or `host:/path`, or a word such as `tmpfs`.
    pub source: OsString,
    pub access: Access,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Access {
    ReadWrite,
    ReadOnly,
}

pub const MOUNTINFO: &str = "/proc/self/mountinfo";

/// Kernel file systems: what they show is made up on reading, and cannot be brought back.
const KERNEL: [&str; 18] = [
    "binfmt_misc",
    "bpf",
    "cgroup",
    "cgroup2",
    "configfs",
    "debugfs",
    "devpts",
    "devtmpfs",
    "efivarfs",
    "fusectl",
    "hugetlbfs",
    "mqueue",
    "nsfs",
    "proc",
    "pstore",
    "securityfs",
    "sysfs",
    "tracefs",
];

const NETWORK: [&str; 10] = [
    "nfs",
    "nfs4",
    "cifs",
    "smb3",
    "fuse.sshfs",
    "9p",
    "afs",
    "ceph",
    "glusterfs",
    "fuse.glusterfs",
];

impl Mount {
    pub fn is_kernel(&self) -> bool {
        KERNEL.contains(&self.fs_type.as_str())
    }

    pub fn is_network(&self) -> bool {
        NETWORK.contains(&self.fs_type.as_str())
    }
}

/// All mounts, in the order they were made: a later one at the same point hides an earlier one.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Mounts(pub Vec<Mount>);

impl Mounts {
    pub fn read() -> io::Result<Self> {
        Ok(Self::parse(&fs::read(MOUNTINFO)?))
    }

    /// Reads `36 35 98:0 /mnt1 /mnt2 rw,noatime master:1 - ext3 /dev/root rw,errors=continue`.
    pub fn parse(text: &[u8]) -> Self {
        Self(text.split(|b| *b == b'\n').filter_map(parse_line).collect())
    }

    pub fn with_id(&self, id: u64) -> Option<&Mount> {
        self.0.iter().find(|mount| mount.id == id)
    }

    /// The mount at exactly `path`.
    pub fn at(&self, path: &Path) -> Option<&Mount> {
        self.0.iter().rev().find(|mount| mount.point == path)
    }

    /// The mount that holds `path`, which must be free of links and `..`.
    pub fn holding(&self, path: &Path) -> Option<&Mount> {
        let holds = |mount: &&Mount| path.starts_with(&mount.point);
        // `max_by_key` gives the last of equals: the one on top.
        self.0
            .iter()
            .filter(holds)
            .max_by_key(|mount| mount.point.components().count())
    }

    pub fn below<'a>(&'a self, path: &'a Path) -> impl Iterator<Item = &'a Mount> {
        self.0
            .iter()
            .filter(move |mount| mount.point.starts_with(path))
    }
}

fn parse_line(line: &[u8]) -> Option<Mount> {
    let mut fields = line.split(|b| *b == b' ');
    let id = std::str::from_utf8(fields.next()?).ok()?.parse().ok()?;
    let point = unescape(fields.nth(3)?);
    let options = fields.next()?;
    // optional fields end with a lone `-`
    fields.by_ref().find(|field| *field == b"-")?;
    let fs_type = String::from_utf8_lossy(fields.next()?).into_owned();
    let source = unescape(fields.next()?);
    let super_options = fields.next().unwrap_or(b"");
    let read_only = [options, super_options]
        .iter()
        .any(|list| list.split(|b| *b == b',').any(|option| option == b"ro"));
    Some(Mount {
        id,
        point: point.into(),
        fs_type,
        source,
        access: if read_only {
            Access::ReadOnly
        } else {
            Access::ReadWrite
        },
    })
}

/// proc(5): space, tab, newline and backslash are written as `\040` and so on.
fn unescape(field: &[u8]) -> OsString {
    let mut out = Vec::with_capacity(field.len());
    let mut rest = field;
    while let Some((&byte, tail)) = rest.split_first() {
        let octal = (byte == b'\\')
            .then(|| tail.get(..3))
            .flatten()
            .and_then(octal);
        if let Some(byte) = octal {
            out.push(byte);
            rest = &tail[3..];
        } else {
            out.push(byte);
            rest = tail;
        }
    }
    OsString::from_vec(out)
}

fn octal(digits: &[u8]) -> Option<u8> {
    let text = std::str::from_utf8(digits).ok()?;
    u8::from_str_radix(text, 8).ok()
}

/// The path without links, or as given when it does not exist.
pub fn real_path(path: &Path) -> PathBuf {
    fs::canonicalize(path).unwrap_or_else(|_| path.to_owned())
}

/// Whether a mount source is a device file rather than a word or a network address.
pub fn device_file(source: &OsStr) -> Option<&Path> {
    source
        .as_bytes()
        .starts_with(b"/dev/")
        .then(|| Path::new(source))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_example_of_proc_5_is_read() {
        let line =
            b"36 35 98:0 /mnt1 /mnt2 rw,noatime master:1 - ext3 /dev/root rw,errors=continue\n";
        let mounts = Mounts::parse(line);
        assert_eq!(
            mounts.0,
            [Mount {
                id: 36,
                point: "/mnt2".into(),
                fs_type: "ext3".into(),
                source: "/dev/root".into(),
                access: Access::ReadWrite
            }]
        );
    }

    #[test]
    fn a_mount_point_with_a_space_and_a_backslash_is_read() {
        let line = br"40 35 8:1 / /mnt/our\040shelf\134x ro - ext4 /dev/sdb1 rw";
        let mounts = Mounts::parse(line);
        assert_eq!(mounts.0[0].point, Path::new(r"/mnt/our shelf\x"));
        assert_eq!(mounts.0[0].access, Access::ReadOnly);
    }

    #[test]
    fn the_mount_on_top_holds_the_path() {
        let text = b"1 0 8:1 / / rw - ext4 /dev/a rw\n2 1 8:2 / /mnt rw - ext4 /dev/b rw\n3 2 8:3 / /mnt rw - ext4 /dev/c rw\n";
        let mounts = Mounts::parse(text);
        assert_eq!(
            mounts.holding(Path::new("/mnt/x")).unwrap().source,
            "/dev/c"
        );
        assert_eq!(mounts.holding(Path::new("/mntx")).unwrap().source, "/dev/a");
    }
}
