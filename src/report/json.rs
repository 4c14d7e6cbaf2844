//! The facts as JSON (RFC 8259): for `--json`, the same structs that the texts are worded from.

use serde::Serialize;

/// One line, with a newline behind it.
///
/// # Panics
/// Never for the fact structs of this crate: they have neither maps with non-string keys nor
/// failing serializers.
pub fn to_json_line<T: Serialize>(facts: &T) -> String {
    serde_json::to_string(facts).expect("facts are plain data") + "\n"
}

/// Indented by two spaces, with a newline behind it.
///
/// # Panics
/// Never for the fact structs of this crate, as [`to_json_line`].
pub fn to_json_pretty<T: Serialize>(facts: &T) -> String {
    serde_json::to_string_pretty(facts).expect("facts are plain data") + "\n"
}

#[cfg(test)]
mod tests {
    use crate::record::{Changes, Decision, GenerationName};

    use super::*;

    #[test]
    fn facts_come_back_from_their_json_line() {
        let decision = Decision {
            generation: GenerationName::parse("20261125T023000Z").unwrap(),
            kept: true,
            why: "the newest\n\u{1b}".to_owned(),
        };
        let line = to_json_line(&decision);
        assert_eq!(line.matches('\n').count(), 1);
        assert_eq!(serde_json::from_str::<Decision>(&line).unwrap(), decision);
    }

    #[test]
    fn pretty_json_indents_by_two() {
        let text = to_json_pretty(&Changes::default());
        assert!(text.starts_with("{\n  \"files\": 0,\n"), "{text}");
    }
}
