//! Which keys belong to which kinds of job.

use super::KindName::{Archive, Clone, Database, Directory, History, Mirror, Settings};
use super::{KindName, Mistake};

/// Every key that only some kinds have; all others belong to every kind.
const KEYS: [(&str, &[KindName]); 20] = [
    ("source", &[History, Mirror, Archive]),
    ("exclude", &[History, Mirror, Archive]),
    ("change_guard", &[History, Mirror, Archive]),
    ("cap", &[History, Archive, Directory, Database, Settings]),
    ("keep", &[History, Archive, Directory, Database, Settings]),
    ("encrypt", &[Archive, Directory, Database, Settings]),
    ("target", &[Clone]),
    ("service", &[Directory]),
    ("databases", &[Directory]),
    ("config", &[Directory]),
    ("uri", &[Directory]),
    ("stop", &[Directory]),
    ("start", &[Directory]),
    ("login", &[Directory]),
    ("engine", &[Database]),
    ("name", &[Database]),
    ("file", &[Database]),
    ("socket", &[Database]),
    ("port", &[Database]),
    ("user", &[Database]),
];

/// The kinds a key belongs to, if only some.
fn kinds_of(key: &str) -> Option<&'static [KindName]> {
    KEYS.iter()
        .find(|(name, _)| *name == key)
        .map(|(_, kinds)| *kinds)
}

pub fn belongs(key: &str, kind: KindName) -> bool {
    kinds_of(key).is_none_or(|kinds| kinds.contains(&kind))
}

/// All keys that only some kinds have.
pub fn special_keys() -> impl Iterator<Item = &'static str> {
    KEYS.iter().map(|(key, _)| *key)
}

/// What to say about a key that belongs to other kinds.
pub fn stranger(key: &str, kind: KindName) -> Option<Mistake> {
    let kinds = kinds_of(key).filter(|kinds| !kinds.contains(&kind))?;
    let words: Vec<_> = kinds.iter().map(|kind| kind.word()).collect();
    let mistake = Mistake::new(format!("`{key}` does not belong to a job of kind `{kind}`"))
        .allowed(format!("`{key}` belongs to {}", words.join(", ")));
    Some(match (key, kind) {
        ("keep" | "cap", Mirror) => {
            mistake.help("a mirror holds one copy, of today; for copies of earlier days make it a history")
        }
        ("encrypt", History | Mirror) => {
            mistake.help("history and mirror are plain files; make it an archive, or encrypt the drive's file system")
        }
        ("source", _) => mistake.help(format!("a job of kind `{kind}` knows by itself what it copies")),
        _ => mistake,
    })
}
