//! One dated, whole copy of a job's source: what the catalogues list.

use std::fmt;
use std::path::PathBuf;

use jiff::{Timestamp, tz::TimeZone};
use serde::{Deserialize, Serialize};

use crate::jobs::{KindName, Name};

/// The instant a generation was begun, in UTC to the second: `20261125T023000Z`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct GenerationName(Timestamp);

impl GenerationName {
    pub const EXPECTED: &str = "a UTC time such as `20261125T023000Z`";

    /// The name of a generation begun at `instant`; parts of a second are dropped.
    ///
    /// # Panics
    /// Never: dropping the fraction of a valid timestamp gives a valid timestamp.
    pub fn at(instant: Timestamp) -> Self {
        Self(
            Timestamp::from_second(instant.as_second()).expect("a whole second of a valid instant"),
        )
    }

    pub fn parse(text: &str) -> Result<Self, String> {
        let expected = || Self::EXPECTED.to_owned();
        let civil =
            jiff::civil::DateTime::strptime("%Y%m%dT%H%M%SZ", text).map_err(|_| expected())?;
        let instant = TimeZone::UTC.to_timestamp(civil).map_err(|_| expected())?;
        let name = Self(instant);
        if name.to_string() == text {
            Ok(name)
        } else {
            Err(expected())
        }
    }

    /// The name of the plain text beside an export of settings: what the server has and is, without a secret.
    pub fn inventory(self) -> String {
        format!("{self}.inventory.txt")
    }

    pub fn instant(self) -> Timestamp {
        self.0
    }
}

impl fmt::Display for GenerationName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0.strftime("%Y%m%dT%H%M%SZ").to_string())
    }
}

impl TryFrom<String> for GenerationName {
    type Error = String;
    fn try_from(text: String) -> Result<Self, String> {
        Self::parse(&text)
    }
}

impl From<GenerationName> for String {
    fn from(name: GenerationName) -> Self {
        name.to_string()
    }
}

/// One line of a drive's `catalogue.jsonl`.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Generation {
    pub name: GenerationName,
    pub server: Name,
    pub job: Name,
    pub kind: KindName,
    pub form: Form,
    pub state: State,
    /// When the copy was whole on the drive.
    pub ended: Timestamp,
    #[serde(with = "super::path_text")]
    pub sources: Vec<PathBuf>,
    /// Files of every type in the copy.
    pub files: u64,
    /// Their length in bytes.
    pub bytes: u64,
    /// Bytes that were new in this generation.
    pub new_bytes: u64,
    /// The run that made it, as in the record.
    pub run: String,
}

impl Generation {
    /// By which a [`super::Place`] knows it. A mirror is one and the same copy, however often it is updated: it counts as
    /// made at the beginning of time, and so comes before all dated copies.
    pub fn place_name(&self) -> GenerationName {
        match self.form {
            Form::Current => GenerationName(Timestamp::UNIX_EPOCH),
            Form::Tree | Form::Tar | Form::SealedTar => self.name,
        }
    }
}

/// How a generation lies on the drive.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Form {
    /// A folder of plain files, `NAME/`.
    Tree,
    /// The one folder `current/` of a mirror.
    Current,
    /// `NAME.tar.zst`
    Tar,
    /// `NAME.tar.zst.age`
    SealedTar,
}

impl Form {
    /// The file or folder name within the job's folder.
    pub fn entry(self, name: GenerationName) -> String {
        match self {
            Self::Tree => name.to_string(),
            Self::Current => "current".to_owned(),
            Self::Tar => format!("{name}.tar.zst"),
            Self::SealedTar => format!("{name}.tar.zst.age"),
        }
    }

    /// The name of its manifest, beside it in the job's folder.
    pub fn manifest(self, name: GenerationName) -> String {
        match self {
            Self::Current => "current.mtree".to_owned(),
            Self::Tree | Self::Tar | Self::SealedTar => format!("{name}.mtree"),
        }
    }

    /// For an archive, whose manifest tells of one file: the name of the manifest of what is in it. Names and
    /// digests tell too much to lie beside a closed archive in the clear: there it is closed as well.
    pub fn contents(self, name: GenerationName) -> Option<String> {
        match self {
            Self::Tree | Self::Current => None,
            Self::Tar => Some(format!("{name}.contents.mtree")),
            Self::SealedTar => Some(format!("{name}.contents.mtree.age")),
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// Every byte is there and was flushed.
    Whole,
    /// A mirror that is being updated, or whose update was cut short.
    Updating,
    /// Removed by retention, the cap or a person; kept as a line so that a rebuild does not bring it back.
    Retired,
}
