//! One value of a file, with its place and the name of its key.

use std::borrow::Cow;
use std::ops::{Range, RangeInclusive};

use toml::Spanned;
use toml::de::DeValue;

use super::{Findings, Mistake, Table};

#[derive(Clone)]
pub struct Value<'t> {
    pub findings: &'t Findings<'t>,
    /// The key, for messages.
    pub key: String,
    pub range: Range<usize>,
    content: &'t DeValue<'t>,
}

impl<'t> Value<'t> {
    pub fn new(findings: &'t Findings<'t>, key: &str, value: &'t Spanned<DeValue<'t>>) -> Self {
        Self {
            findings,
            key: key.to_owned(),
            range: value.span(),
            content: value.get_ref(),
        }
    }

    /// Text that `parse` accepts. A mistake without its own "allowed" gets `expected`.
    pub fn parse<T>(
        &self,
        expected: &str,
        parse: impl FnOnce(&str) -> Result<T, Mistake>,
    ) -> Option<T> {
        let text = self.text(expected)?;
        match parse(text) {
            Ok(parsed) => Some(parsed),
            Err(mistake) => {
                self.refuse_part(text, mistake, expected);
                None
            }
        }
    }

    /// Any text without NUL, which no path, argument or variable can hold.
    pub fn text(&self, expected: &str) -> Option<&'t str> {
        let DeValue::String(text) = self.content else {
            self.refuse_type("text in quotes", expected);
            return None;
        };
        if let Some(at) = text.find('\0') {
            let mistake = Mistake::new(format!("`{}` holds a NUL character", self.key))
                .help("no path, argument or variable can hold one")
                .at(at..at + 1);
            self.refuse_part(text, mistake, expected);
            return None;
        }
        Some(text)
    }

    pub fn boolean(&self) -> Option<bool> {
        if let DeValue::Boolean(value) = self.content {
            return Some(*value);
        }
        self.refuse_type("true or false", "true or false, without quotes");
        None
    }

    pub fn whole_number(&self, within: &RangeInclusive<i64>) -> Option<i64> {
        let expected = format!("a whole number from {} to {}", within.start(), within.end());
        let DeValue::Integer(number) = self.content else {
            self.refuse_type("a whole number", &expected);
            return None;
        };
        let parsed = i64::from_str_radix(number.as_str(), number.radix()).ok();
        let fits = parsed.filter(|n| within.contains(n));
        if fits.is_none() {
            self.refuse(
                Mistake::new(format!("`{number}` is out of range for `{}`", self.key))
                    .allowed(expected),
            );
        }
        fits
    }

    pub fn is_list(&self) -> bool {
        self.content.is_array()
    }

    pub fn is_table(&self) -> bool {
        self.content.is_table()
    }

    /// The elements of a list.
    pub fn list(&self, expected: &str) -> Option<Vec<Value<'t>>> {
        let DeValue::Array(array) = self.content else {
            self.refuse_type("a list", expected);
            return None;
        };
        Some(
            array
                .iter()
                .map(|element| Value::new(self.findings, &self.key, element))
                .collect(),
        )
    }

    /// The list's elements that `parse` accepts; mistakes in the others are gathered.
    pub fn list_of<T>(
        &self,
        expected: &str,
        parse: impl Fn(&str) -> Result<T, Mistake>,
    ) -> Option<Vec<T>> {
        let elements = self.list(expected)?;
        Some(
            elements
                .iter()
                .filter_map(|e| e.parse(expected, &parse))
                .collect(),
        )
    }

    /// `words` name the table in messages, such as `[drives.shelf]`.
    pub fn table(&self, words: impl Into<String>, expected: &str) -> Option<Table<'t>> {
        let DeValue::Table(table) = self.content else {
            self.refuse_type("a table", expected);
            return None;
        };
        Some(Table::new(self.findings, words, self.range.clone(), table))
    }

    pub fn refuse(&self, mistake: Mistake) {
        self.findings.error(&self.range, mistake);
    }

    fn refuse_type(&self, wanted: &str, expected: &str) {
        let found = match self.content {
            DeValue::String(_) => "text",
            DeValue::Integer(_) => "a whole number",
            DeValue::Float(_) => "a number with a fraction",
            DeValue::Boolean(_) => "true or false",
            DeValue::Datetime(_) => "a date or time",
            DeValue::Array(_) => "a list",
            DeValue::Table(_) => "a table",
        };
        let message = format!("`{}` takes {wanted}, not {found}", self.key);
        self.refuse(
            Mistake::new(message)
                .allowed(expected)
                .nearest(self.rewritten(wanted)),
        );
    }

    /// The value as it would be with the quotes or brackets that are missing or too many.
    fn rewritten(&self, wanted: &str) -> Option<String> {
        let raw = self.findings.file.text.get(self.range.clone())?;
        match (self.content, wanted) {
            (DeValue::Integer(_) | DeValue::Float(_), "text in quotes") => {
                Some(format!("\"{raw}\""))
            }
            (DeValue::String(_), "a list") => Some(format!("[{raw}]")),
            (DeValue::String(text), "true or false") if matches!(&**text, "true" | "false") => {
                Some(text.to_string())
            }
            (DeValue::String(text), "a whole number") if text.parse::<i64>().is_ok() => {
                Some(text.to_string())
            }
            _ => None,
        }
    }

    fn refuse_part(&self, text: &str, mut mistake: Mistake, expected: &str) {
        let part = mistake
            .range
            .take()
            .and_then(|range| self.part(text, range));
        mistake.allowed.get_or_insert_with(|| expected.to_owned());
        self.findings
            .error(part.as_ref().unwrap_or(&self.range), mistake);
    }

    /// Where a range of the text stands in the file. Unknown when escapes moved it.
    fn part(&self, text: &str, range: Range<usize>) -> Option<Range<usize>> {
        let raw = self.findings.file.text.get(self.range.clone())?;
        let inner = raw.get(1..raw.len().checked_sub(1)?)?;
        let start = self.range.start + 1;
        (inner == text && range.end <= inner.len()).then(|| start + range.start..start + range.end)
    }
}

/// Keys may be quoted in a file; this is how they are read.
pub fn key_text<'k>(key: &'k Spanned<Cow<'_, str>>) -> &'k str {
    key.get_ref().as_ref()
}
