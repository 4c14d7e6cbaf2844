//! Why the tables of a database could not be told or exported.

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

use crate::system::TalkError;

#[derive(Debug)]
pub enum TablesError {
    Talk(TalkError),
    /// A program that exports or loads did not end well; what it said went to standard error.
    Program {
        command: String,
        words: String,
    },
    File {
        file: PathBuf,
        error: io::Error,
    },
    /// A file of figures that is not one.
    Facts {
        file: PathBuf,
        words: String,
    },
    /// The server said something that was not asked.
    Answer {
        asked: String,
        words: String,
    },
    /// What the role cannot see would be missing without a word.
    Privileges {
        database: String,
        lacking: String,
    },
    Sqlite {
        file: PathBuf,
        words: String,
    },
    /// What a live database held, which makes way.
    Kept {
        database: String,
        words: String,
    },
    Output(io::Error),
}

impl TablesError {
    pub fn file(file: &Path, error: io::Error) -> Self {
        Self::File {
            file: file.to_owned(),
            error,
        }
    }

    pub fn answer(asked: impl Into<String>, words: &impl ToString) -> Self {
        Self::Answer {
            asked: asked.into(),
            words: words.to_string(),
        }
    }
}

impl From<TalkError> for TablesError {
    fn from(error: TalkError) -> Self {
        Self::Talk(error)
    }
}

impl fmt::Display for TablesError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Talk(error) => error.fmt(f),
            Self::Program { command, words } => write!(f, "`{command}` ended with {words}"),
            Self::File { file, error } => write!(f, "`{}`: {error}", file.display()),
            Self::Facts { file, words } => {
                write!(f, "`{}` holds no figures: {words}", file.display())
            }
            Self::Answer { asked, words } => {
                write!(
                    f,
                    "the server's answer on {asked} is not understood: {words}"
                )
            }
            Self::Privileges { database, lacking } => write!(
                f,
                "database `{database}`: the role may not read everything in it: it lacks {lacking}"
            ),
            Self::Kept { database, words } => write!(f, "database `{database}`: {words}"),
            Self::Sqlite { file, words } => write!(f, "database `{}`: {words}", file.display()),
            Self::Output(error) => write!(f, "standard output could not be written: {error}"),
        }
    }
}

impl std::error::Error for TablesError {}
