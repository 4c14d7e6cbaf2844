//! What can go wrong before a mail is on its way.

use std::fmt;
use std::io;
use std::path::{Path, PathBuf};

#[derive(Debug)]
pub enum MailError {
    /// `from` or `to` in `[mail]` is not a mailbox.
    Address {
        key: &'static str,
        text: String,
        why: String,
    },
    /// The mail cannot be put together.
    Message(String),
    /// A file or folder of the outbox.
    Outbox {
        doing: &'static str,
        path: PathBuf,
        source: io::Error,
    },
}

impl MailError {
    pub(super) fn outbox(doing: &'static str, path: &Path) -> impl FnOnce(io::Error) -> Self {
        let path = path.to_owned();
        move |source| Self::Outbox {
            doing,
            path,
            source,
        }
    }
}

impl fmt::Display for MailError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Address { key, text, why } => write!(
                f,
                "`{key}` in `[mail]` is not a mail address: `{}` ({why}); \
                 write it as `kiln <hayloft@studio.example>`",
                text.escape_debug()
            ),
            Self::Message(why) => write!(f, "cannot put the mail together: {why}"),
            Self::Outbox {
                doing,
                path,
                source,
            } => write!(
                f,
                "cannot {doing} `{}`: {source}; mail is kept in this folder until it is \
                 delivered, so look at its owner and at the space left",
                path.display()
            ),
        }
    }
}

impl std::error::Error for MailError {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        match self {
            Self::Outbox { source, .. } => Some(source),
            Self::Address { .. } | Self::Message(_) => None,
        }
    }
}
