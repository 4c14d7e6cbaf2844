//! Which part of the source's host a job copies: its sources, and the folders that lead to them.

use std::collections::BTreeMap;
use std::os::unix::ffi::OsStrExt;
use std::path::{Component, PathBuf};

/// A folder on the way to a source. What is below a source has none: all of it is wanted.
#[derive(Debug, Default)]
pub struct Scope {
    is_source: bool,
    below: BTreeMap<Vec<u8>, Scope>,
}

impl Scope {
    /// The root, as the given absolute paths need it.
    pub fn of(sources: &[PathBuf]) -> Self {
        let mut root = Self::default();
        for source in sources {
            let mut at = &mut root;
            for part in source.components() {
                if let Component::Normal(name) = part {
                    at = at.below.entry(name.as_bytes().to_owned()).or_default();
                }
            }
            at.is_source = true;
        }
        root
    }

    /// The names wanted of this folder; `None` for all.
    pub fn names(&self) -> Option<impl Iterator<Item = &Vec<u8>>> {
        (!self.is_source).then(|| self.below.keys())
    }

    /// What of the folder `name` is wanted; `None` for all of it.
    pub fn enter(&self, name: &[u8]) -> Option<&Self> {
        if self.is_source {
            return None;
        }
        self.below.get(name).filter(|scope| !scope.is_source)
    }

    pub fn is_source(&self) -> bool {
        self.is_source
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_way_to_a_source_is_narrow() {
        let scope = Scope::of(&["/srv/studio".into(), "/etc".into(), "/srv/studio/x".into()]);
        let names = |scope: &Scope| {
            scope
                .names()
                .map(|names| names.cloned().collect::<Vec<_>>())
        };
        assert_eq!(names(&scope), Some(vec![b"etc".to_vec(), b"srv".to_vec()]));
        assert!(scope.enter(b"etc").is_none());
        let srv = scope.enter(b"srv").expect("the way to a source");
        assert_eq!(names(srv), Some(vec![b"studio".to_vec()]));
        assert!(srv.enter(b"studio").is_none());
        assert!(Scope::of(&["/".into()]).names().is_none());
    }
}
