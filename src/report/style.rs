//! Colour on a terminal: only where the caller says so, and never the only sign of anything.

/// Decided by whoever knows the terminal (`NO_COLOR`, pipes and dumb terminals mean `Plain`).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Style {
    Plain,
    Colour,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Tone {
    Bold,
    Dim,
    /// Green.
    Good,
    /// Bold red.
    Bad,
}

impl Style {
    /// `text` with the SGR codes of ECMA-48 section 8.3.117 around it, or as it is.
    pub fn paint(self, tone: Tone, text: &str) -> String {
        let code = match tone {
            Tone::Bold => "1",
            Tone::Dim => "2",
            Tone::Good => "32",
            Tone::Bad => "1;31",
        };
        match self {
            Self::Colour if !text.is_empty() => format!("\x1b[{code}m{text}\x1b[0m"),
            _ => text.to_owned(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn plain_text_stays_free_of_escapes() {
        assert_eq!(Style::Plain.paint(Tone::Bad, "FAILED"), "FAILED");
        assert_eq!(
            Style::Colour.paint(Tone::Bad, "FAILED"),
            "\x1b[1;31mFAILED\x1b[0m"
        );
    }
}
