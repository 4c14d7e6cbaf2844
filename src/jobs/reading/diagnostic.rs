//! One thing to tell about a configuration file: where, what, and what would be right.

use std::path::{Path, PathBuf};

use serde::{Serialize, Serializer};

use super::Mistake;

/// A mistake or a warning with its place. Serialized as one flat object.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Diagnostic {
    pub severity: Severity,
    #[serde(serialize_with = "lossy")]
    pub file: PathBuf,
    /// Absent when the file or folder as a whole is meant.
    #[serde(flatten)]
    pub place: Option<Place>,
    pub message: String,
    /// What may stand there.
    pub allowed: Option<String>,
    /// The nearest right key or value.
    pub nearest: Option<String>,
    /// What to do next.
    pub help: Option<String>,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// Loading fails.
    Error,
    /// Loading goes on; a person should know.
    Warning,
}

/// A stretch of one line. Secrets in it are masked.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Place {
    /// From 1.
    pub line: usize,
    /// In characters, from 1.
    pub column: usize,
    /// The offending text, up to the end of its first line.
    pub text: String,
    /// The whole line it stands in.
    pub source_line: String,
}

impl Diagnostic {
    /// About a file or folder as a whole.
    pub fn of_file(file: &Path, severity: Severity, mistake: Mistake) -> Self {
        Self {
            severity,
            file: file.to_owned(),
            place: None,
            message: mistake.message,
            allowed: mistake.allowed,
            nearest: mistake.nearest,
            help: mistake.help,
        }
    }

    pub fn is_error(&self) -> bool {
        self.severity == Severity::Error
    }
}

impl Severity {
    pub fn word(self) -> &'static str {
        match self {
            Self::Error => "error",
            Self::Warning => "warning",
        }
    }
}

/// JSON text is Unicode (RFC 8259 section 8.1); a path need not be.
fn lossy<S: Serializer>(path: &Path, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_str(&path.to_string_lossy())
}
