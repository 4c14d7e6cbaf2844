//! What a job leaves out, decided for one name after the other as rsync decides it for the same job.

use std::collections::HashMap;
use std::os::unix::ffi::OsStrExt;

use super::wildcard::{Wildcard, parts};
use crate::jobs::Pattern;
use crate::plan::HiddenPath;

/// The patterns and hidden paths of a job, sorted by the name that each needs, so that most names cost one
/// look-up.
///
/// Whether an entry is a folder plays no part: a pattern with a slash behind it leaves out all that is in such
/// folders, and so is one for their entries ([`Pattern::matching`]).
#[derive(Debug, Clone, Default)]
pub struct Exclusions {
    by_name: HashMap<Box<[u8]>, Vec<Folder>>,
    by_wildcard: Vec<(Wildcard, Folder)>,
}

/// The folder in which a rule holds.
#[derive(Debug, Clone, PartialEq, Eq)]
enum Folder {
    Every,
    Is(Box<[u8]>),
    /// Each part of its path, from the root.
    Matches(Vec<Wildcard>),
    /// The last parts of its path.
    EndsWith(Vec<Wildcard>),
}

impl Exclusions {
    pub fn new(exclude: &[Pattern], hidden: &[HiddenPath]) -> Self {
        let mut exclusions = Self::default();
        for path in hidden {
            let path = path.path.as_os_str().as_bytes();
            if let Some(slash) = path.iter().rposition(|byte| *byte == b'/') {
                let name = Wildcard::Literal(path[slash + 1..].into());
                exclusions.add(name, Folder::Is(path[..slash].into()));
            }
        }
        for pattern in exclude {
            exclusions.add_pattern(pattern.matching().as_bytes());
        }
        exclusions
    }

    /// Whether a tree is copied without `name`, an entry of the absolute path `folder` (no slash behind it; empty
    /// for `/`). To be asked from the top: of a folder that is left out, nothing is asked.
    ///
    /// rsync asks this of the source's own path too, but not of the folders above it (`--relative`, implied
    /// directories).
    pub fn leaves_out(&self, folder: &[u8], name: &[u8]) -> bool {
        let by_name = self.by_name.get(name);
        by_name.is_some_and(|rules| rules.iter().any(|rule| rule.holds_in(folder)))
            || self
                .by_wildcard
                .iter()
                .any(|(wildcard, rule)| wildcard.matches(name) && rule.holds_in(folder))
    }

    fn add_pattern(&mut self, pattern: &[u8]) {
        let (is_rooted, below) = match pattern {
            [b'/', below @ ..] => (true, below),
            all => (false, all),
        };
        let Some(mut parts) = parts(below) else {
            return;
        };
        // rsync goes by the slashes of a pattern to tell how many parts of a path to compare; one in brackets,
        // which matches none, makes them one too many
        let compared = below.split(|byte| *byte == b'/').count();
        if !is_rooted && compared > parts.len() {
            return;
        }
        let Some(name) = parts.pop() else {
            return;
        };
        let folder = match (is_rooted, parts.is_empty()) {
            (true, _) => rooted(parts),
            (false, true) => Folder::Every,
            (false, false) => Folder::EndsWith(parts),
        };
        self.add(name, folder);
    }

    fn add(&mut self, name: Wildcard, folder: Folder) {
        match name {
            Wildcard::Literal(name) => self.by_name.entry(name).or_default().push(folder),
            wildcard => self.by_wildcard.push((wildcard, folder)),
        }
    }
}

fn rooted(parts: Vec<Wildcard>) -> Folder {
    let mut path = Vec::new();
    for part in &parts {
        let Wildcard::Literal(name) = part else {
            return Folder::Matches(parts);
        };
        path.push(b'/');
        path.extend_from_slice(name);
    }
    Folder::Is(path.into())
}

impl Folder {
    fn holds_in(&self, folder: &[u8]) -> bool {
        match self {
            Self::Every => true,
            Self::Is(path) => **path == *folder,
            Self::Matches(parts) => ends_with(parts, folder) == Some(true),
            Self::EndsWith(parts) => ends_with(parts, folder).is_some(),
        }
    }
}

/// Compares from the end; tells whether the path is then used up to its root, or `None` where it does not end so.
fn ends_with(parts: &[Wildcard], folder: &[u8]) -> Option<bool> {
    let mut rest = folder;
    for part in parts.iter().rev() {
        let slash = rest.iter().rposition(|byte| *byte == b'/')?;
        if !part.matches(&rest[slash + 1..]) {
            return None;
        }
        rest = &rest[..slash];
    }
    Some(rest.is_empty())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn left_out(pattern: &str, path: &str) -> bool {
        let patterns = [Pattern::parse(pattern).unwrap()];
        let (folder, name) = path.rsplit_once('/').unwrap();
        Exclusions::new(&patterns, &[]).leaves_out(folder.as_bytes(), name.as_bytes())
    }

    #[test]
    fn a_pattern_matches_the_end_of_a_path_or_from_the_root() {
        for (pattern, within, without) in [
            ("*.tmp", "/srv/a.tmp", "/srv/a.tmp/b"),
            ("/srv/*/cache", "/srv/studio/cache", "/mnt/srv/studio/cache"),
            ("/srv/cache", "/srv/cache", "/srv/studio/srv/cache"),
            ("studio/cache", "/srv/studio/cache", "/srv/my-studio/cache"),
            ("cache/", "/srv/cache/one", "/srv/cache"),
            ("/cache/", "/cache/one", "/srv/cache/one"),
            ("a\\/b*", "/a/bc", "/bc"),
            ("/a[/b]", "/ab", "/a/"),
        ] {
            assert!(left_out(pattern, within), "{pattern} {within}");
            assert!(!left_out(pattern, without), "{pattern} {without}");
        }
        assert!(!left_out("a[/b]", "/ab"));
    }

    #[test]
    fn a_hidden_path_is_left_out_and_its_wildcards_are_none() {
        let hidden = HiddenPath {
            path: "/srv/odd [proc]*\\".into(),
            why: "it is the kernel's own `proc`".into(),
        };
        let exclusions = Exclusions::new(&[], &[hidden]);
        assert!(exclusions.leaves_out(b"/srv", b"odd [proc]*\\"));
        assert!(!exclusions.leaves_out(b"/srv", b"odd pp\\"));
        assert!(!exclusions.leaves_out(b"", b"odd [proc]*\\"));
    }
}
