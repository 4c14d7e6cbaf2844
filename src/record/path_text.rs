//! Paths in JSON: a string when the path is UTF-8, a list of its bytes when it is not.
//!
//! RFC 8259 text is Unicode, a path is any bytes but NUL. Both forms read back to the same bytes.

use std::ffi::OsString;
use std::fmt;
use std::os::unix::ffi::{OsStrExt, OsStringExt};
use std::path::{Path, PathBuf};

use serde::de::{SeqAccess, Visitor};
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// For `#[serde(with = "path_text")]` on a list of paths.
pub fn serialize<S: Serializer>(paths: &[PathBuf], serializer: S) -> Result<S::Ok, S::Error> {
    serializer.collect_seq(paths.iter().map(PathText::from))
}

pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<Vec<PathBuf>, D::Error> {
    let paths = Vec::<PathText>::deserialize(deserializer)?;
    Ok(paths.into_iter().map(|path| path.0).collect())
}

/// For `#[serde(serialize_with = "…")]` on one path.
///
/// # Errors
/// Those of the serializer.
pub fn serialize_one<S: Serializer>(path: &Path, serializer: S) -> Result<S::Ok, S::Error> {
    PathText(path.to_owned()).serialize(serializer)
}

/// For `#[serde(with = "path_text::one")]` on one path.
pub mod one {
    use std::path::{Path, PathBuf};

    use serde::{Deserialize, Deserializer, Serializer};

    use super::PathText;

    /// # Errors
    /// Those of the serializer.
    pub fn serialize<S: Serializer>(path: &Path, serializer: S) -> Result<S::Ok, S::Error> {
        super::serialize_one(path, serializer)
    }

    /// # Errors
    /// Those of the deserializer.
    pub fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<PathBuf, D::Error> {
        PathText::deserialize(deserializer).map(|path| path.0)
    }
}

/// For `#[serde(with = "path_text::maybe")]` on a path that may be absent.
pub mod maybe {
    use std::path::PathBuf;

    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    use super::PathText;

    /// # Errors
    /// Those of the serializer.
    pub fn serialize<S: Serializer>(
        path: &Option<PathBuf>,
        serializer: S,
    ) -> Result<S::Ok, S::Error> {
        path.as_ref().map(PathText::from).serialize(serializer)
    }

    /// # Errors
    /// Those of the deserializer.
    pub fn deserialize<'de, D: Deserializer<'de>>(
        deserializer: D,
    ) -> Result<Option<PathBuf>, D::Error> {
        Ok(Option::<PathText>::deserialize(deserializer)?.map(|path| path.0))
    }
}

/// A path that reads and writes as this file says, for use within other types.
pub struct PathText(pub PathBuf);

impl From<&PathBuf> for PathText {
    fn from(path: &PathBuf) -> Self {
        Self(path.clone())
    }
}

impl Serialize for PathText {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        match self.0.to_str() {
            Some(text) => serializer.serialize_str(text),
            None => serializer.collect_seq(self.0.as_os_str().as_bytes()),
        }
    }
}

impl<'de> Deserialize<'de> for PathText {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        deserializer.deserialize_any(TextOrBytes).map(Self)
    }
}

struct TextOrBytes;

impl<'de> Visitor<'de> for TextOrBytes {
    type Value = PathBuf;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a path, as a string or as a list of its bytes")
    }

    fn visit_str<E>(self, text: &str) -> Result<PathBuf, E> {
        Ok(PathBuf::from(text))
    }

    fn visit_seq<A: SeqAccess<'de>>(self, mut list: A) -> Result<PathBuf, A::Error> {
        let mut bytes = Vec::new();
        while let Some(byte) = list.next_element::<u8>()? {
            bytes.push(byte);
        }
        Ok(PathBuf::from(OsString::from_vec(bytes)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[derive(Serialize, Deserialize)]
    struct Sources(#[serde(with = "super")] Vec<PathBuf>);

    #[test]
    fn an_ordinary_path_is_an_ordinary_string() {
        let sources = Sources(vec![PathBuf::from("/srv/studio")]);
        let text = serde_json::to_string(&sources).expect("JSON");
        assert_eq!(text, r#"["/srv/studio"]"#);
    }

    proptest! {
        #[test]
        fn any_bytes_of_a_path_come_back(paths in prop::collection::vec(any::<Vec<u8>>(), 0..4)) {
            let paths: Vec<PathBuf> = paths.into_iter().map(|p| OsString::from_vec(p).into()).collect();
            let text = serde_json::to_string(&Sources(paths.clone())).expect("JSON");
            let back: Sources = serde_json::from_str(&text).expect("the same JSON");
            prop_assert_eq!(back.0, paths);
        }
    }
}
