//! Puts the members of an archive in a manifest's order.
//!
//! tar stores the folders that lead to the sources first, then one source after the other. A manifest tells a folder
//! and then what is in it: those folders are held back until something in them comes.

use std::collections::BTreeMap;
use std::io;

use super::member::Member;
use crate::prove::manifest::EntryKind;

/// Members that are held back, by the parts of their path.
#[derive(Debug)]
pub struct Order<'a> {
    above: &'a [Vec<u8>],
    held: BTreeMap<Vec<Vec<u8>>, Member>,
}

impl<'a> Order<'a> {
    /// `above` are the folders that lead to sources.
    pub fn new(above: &'a [Vec<u8>]) -> Self {
        Self {
            above,
            held: BTreeMap::new(),
        }
    }

    /// Hands `member`, and those whose turn it is before it, to `give`.
    ///
    /// # Errors
    /// Those of `give`.
    pub fn take(
        &mut self,
        member: Member,
        mut give: impl FnMut(Member) -> io::Result<()>,
    ) -> io::Result<()> {
        let parts = parts(&member.entry.path);
        if self.above.contains(&member.entry.path) {
            self.held.insert(parts, member);
            return Ok(());
        }
        while let Some(first) = self.held.first_entry() {
            if *first.key() > parts {
                break;
            }
            let leads_on = parts.starts_with(first.key());
            let mut above = first.remove();
            if leads_on && above.entry.kind != EntryKind::Folder {
                // a link that leads to a source: what is below it is unpacked into a folder
                above.entry.kind = EntryKind::Folder;
                above.entry.mode = 0o755;
            }
            give(above)?;
        }
        give(member)
    }

    /// Hands on what is still held.
    ///
    /// # Errors
    /// Those of `give`.
    pub fn finish(self, give: impl FnMut(Member) -> io::Result<()>) -> io::Result<()> {
        self.held.into_values().try_for_each(give)
    }
}

fn parts(path: &[u8]) -> Vec<Vec<u8>> {
    path.split(|byte| *byte == b'/')
        .map(<[u8]>::to_vec)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::prove::manifest::{Entry, Time};

    fn member(path: &str, kind: EntryKind) -> Member {
        Member {
            entry: Entry {
                path: path.into(),
                kind,
                mode: 0o777,
                uid: 0,
                gid: 0,
                time: Time::default(),
            },
            same_as: None,
        }
    }

    fn ordered(above: &[&str], members: Vec<Member>) -> Vec<String> {
        let above: Vec<Vec<u8>> = above.iter().map(|path| path.as_bytes().to_vec()).collect();
        let mut order = Order::new(&above);
        let mut given = Vec::new();
        let mut give = |member: Member| {
            let end = if member.entry.kind == EntryKind::Folder {
                "/"
            } else {
                ""
            };
            given.push(String::from_utf8(member.entry.path).unwrap() + end);
            Ok(())
        };
        for member in members {
            order.take(member, &mut give).unwrap();
        }
        order.finish(&mut give).unwrap();
        given
    }

    #[test]
    fn a_folder_above_comes_just_before_what_is_in_it() {
        let folder = |path| member(path, EntryKind::Folder);
        let found = ordered(
            &["home", "srv", "srv/gone"],
            vec![
                folder("home"),
                folder("srv"),
                folder("srv/gone"),
                folder("home/ines"),
                folder("srv/studio"),
                folder("srv/studio/z"),
                member("srv/studio/z/f", EntryKind::Fifo),
                member("srv/studio/a", EntryKind::Fifo),
            ],
        );
        let expected = [
            "home/",
            "home/ines/",
            "srv/",
            "srv/gone/",
            "srv/studio/",
            "srv/studio/z/",
            "srv/studio/z/f",
            "srv/studio/a",
        ];
        assert_eq!(found, expected);
    }

    #[test]
    fn a_link_that_leads_to_a_source_is_told_as_a_folder() {
        let link = EntryKind::Link {
            target: b"x".to_vec(),
        };
        let members = vec![member("srv", link), member("srv/studio", EntryKind::Folder)];
        assert_eq!(ordered(&["srv"], members), ["srv/", "srv/studio/"]);
    }
}
