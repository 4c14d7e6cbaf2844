//! `[drives.NAME]`: a place copies go, known by its identity and not by its mount path.

use std::path::PathBuf;

use super::path_text::{ABSOLUTE, absolute_path};
use super::reading::Table;
use super::{Mistake, Name, Reread, Size, SshHost};

#[derive(Debug, Clone, PartialEq)]
pub struct Drive {
    pub name: Name,
    pub place: DrivePlace,
    /// Space that is always left free.
    pub reserve: Size,
    pub offsite: bool,
    /// Absent when its bytes are read again only by hand.
    pub reread: Option<Reread>,
}

#[derive(Debug, Clone, PartialEq)]
pub enum DrivePlace {
    /// A file system mounted at `path` on this server.
    Local {
        path: PathBuf,
        /// Refuse to write unless the file system with this UUID is mounted at `path`.
        uuid: String,
    },
    /// A folder on another host, reached by ssh with a pinned host key.
    Ssh { host: SshHost, path: PathBuf },
}

const UUID: &str = "the UUID of the file system, such as \"5f0c3a52-8d1e-4a55-9a4e-0c1f6d2b7e90\" or \"AB12-CD34\"";
const FIND_UUID: &str =
    "`lsblk -o NAME,LABEL,UUID,MOUNTPOINT` shows it while the drive is attached";

impl Drive {
    /// Left free on a local drive unless `reserve` is given.
    pub const LOCAL_RESERVE: Size = Size(1_000_000_000);

    /// Where it is, as a person would type it: `/mnt/shelf` or `hay@barn.example:/srv/hay`.
    pub fn address(&self) -> String {
        match &self.place {
            DrivePlace::Local { path, .. } => path.display().to_string(),
            DrivePlace::Ssh { host, path } => {
                let plain = SshHost {
                    port: SshHost::PORT,
                    ..host.clone()
                };
                format!("{plain}:{}", path.display())
            }
        }
    }

    pub(super) fn read(name: Option<Name>, mut table: Table<'_>) -> Option<Self> {
        let over_ssh = table.holds("ssh");
        let place = if over_ssh {
            read_ssh(&mut table)
        } else {
            read_local(&mut table)
        };
        let reserve = table.optional("reserve", Size::EXPECTED, Size::parse_some);
        let offsite = table.take("offsite").and_then(|value| value.boolean());
        let reread = Reread::read(&mut table);
        table.finish_explaining(|key| misplaced(key, over_ssh));
        let default = if over_ssh {
            Size(0)
        } else {
            Self::LOCAL_RESERVE
        };
        Some(Self {
            name: name?,
            place: place?,
            reserve: reserve.unwrap_or(default),
            offsite: offsite.unwrap_or(false),
            reread,
        })
    }
}

fn read_local(table: &mut Table<'_>) -> Option<DrivePlace> {
    let path = table.required("path", ABSOLUTE, absolute_path);
    let uuid = table
        .require("uuid", FIND_UUID)
        .and_then(|value| value.parse(UUID, filesystem_uuid));
    Some(DrivePlace::Local {
        path: path?,
        uuid: uuid?,
    })
}

fn read_ssh(table: &mut Table<'_>) -> Option<DrivePlace> {
    let host = SshHost::read(table);
    let path = table.required("path", ABSOLUTE, far_path);
    Some(DrivePlace::Ssh {
        host: host?,
        path: path?,
    })
}

/// rsync on the other host takes wildcards in its target for a pattern, and would write to whatever
/// folder matches it.
fn far_path(text: &str) -> Result<PathBuf, Mistake> {
    match text.find(['*', '?', '[']) {
        Some(at) => Err(Mistake::new(format!(
            "`{text}` holds `{}`, which rsync would read as a wildcard on the other host",
            &text[at..=at]
        ))
        .allowed("a path without `*`, `?` and `[`")
        .at(at..at + 1)),
        None => absolute_path(text),
    }
}

fn misplaced(key: &str, over_ssh: bool) -> Option<Mistake> {
    match (key, over_ssh) {
        ("uuid", true) => Some(
            Mistake::new("a drive reached by ssh has no `uuid`")
                .allowed("ssh, port, identity, path, reserve, offsite, reread")
                .help("its identity is the key of the host, pinned at the first check"),
        ),
        ("port" | "identity", false) => Some(
            Mistake::new(format!("`{key}` belongs to drives reached by ssh"))
                .allowed("path, uuid, reserve, offsite, reread")
                .help("add `ssh = \"user@host\"`, or take the key out"),
        ),
        _ => None,
    }
}

/// UUIDs as file systems have them: 8-4-4-4-12 (RFC 9562 section 4), 4-4 on FAT and exFAT, 16 digits on NTFS.
fn filesystem_uuid(text: &str) -> Result<String, Mistake> {
    let hex = |part: &&str| !part.is_empty() && part.bytes().all(|b| b.is_ascii_hexdigit());
    let parts: Vec<&str> = text.split('-').collect();
    let lengths: Vec<usize> = parts.iter().map(|part| part.len()).collect();
    let shaped = matches!(lengths[..], [8, 4, 4, 4, 12] | [4, 4] | [8..=32]);
    if shaped && parts.iter().all(hex) {
        Ok(text.to_owned())
    } else {
        Err(Mistake::new(format!("`{text}` is no UUID of a file system")).help(FIND_UUID))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_uuids_of_common_file_systems_are_accepted() {
        for text in [
            "5f0c3a52-8d1e-4a55-9a4e-0c1f6d2b7e90",
            "AB12-CD34",
            "01D9A3B4C5D6E7F8",
        ] {
            assert_eq!(filesystem_uuid(text).unwrap(), text);
        }
    }

    #[test]
    fn a_uuid_cut_short_or_of_something_else_is_refused() {
        for text in [
            "",
            "5f0c…",
            "5f0c3a52-8d1e-4a55-9a4e",
            "shelf",
            "UUID=AB12-CD34",
            "AB12-CD3G",
            "/dev/sdb1",
        ] {
            assert!(filesystem_uuid(text).is_err(), "{text}");
        }
    }

    #[test]
    fn an_address_is_what_a_person_would_type() {
        let host = SshHost {
            port: 2222,
            ..SshHost::parse("hay@barn.example").unwrap()
        };
        let place = DrivePlace::Ssh {
            host,
            path: "/srv/hay".into(),
        };
        let name = Name::parse("barn").unwrap();
        let drive = Drive {
            name,
            place,
            reserve: Size(0),
            offsite: true,
            reread: None,
        };
        assert_eq!(drive.address(), "hay@barn.example:/srv/hay");
    }
}
