//! One mistake in words, before it is known in which file it stands.

use std::fmt;
use std::ops::Range;

/// What is wrong with a piece of text, what may stand there instead, and what to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mistake {
    pub message: String,
    /// What may stand there.
    pub allowed: Option<String>,
    /// The nearest right text.
    pub nearest: Option<String>,
    /// What to do next.
    pub help: Option<String>,
    /// The bytes of the text that are wrong; all of it when absent.
    pub range: Option<Range<usize>>,
}

impl Mistake {
    pub fn new(message: impl Into<String>) -> Self {
        Self {
            message: message.into(),
            allowed: None,
            nearest: None,
            help: None,
            range: None,
        }
    }

    #[must_use]
    pub fn allowed(mut self, allowed: impl Into<String>) -> Self {
        self.allowed = Some(allowed.into());
        self
    }

    /// `allowed`, unless something more exact has been said.
    #[must_use]
    pub fn or_allowed(mut self, allowed: &str) -> Self {
        self.allowed.get_or_insert_with(|| allowed.to_owned());
        self
    }

    #[must_use]
    pub fn nearest(mut self, nearest: Option<String>) -> Self {
        self.nearest = nearest;
        self
    }

    #[must_use]
    pub fn help(mut self, help: impl Into<String>) -> Self {
        self.help = Some(help.into());
        self
    }

    #[must_use]
    pub fn at(mut self, range: Range<usize>) -> Self {
        self.range = Some(range);
        self
    }
}

impl fmt::Display for Mistake {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.message)?;
        if let Some(allowed) = &self.allowed {
            write!(f, "; allowed: {allowed}")?;
        }
        Ok(())
    }
}

impl std::error::Error for Mistake {}
