//! A table whose keys are taken one by one; what is left at the end is unknown.

use std::collections::BTreeMap;
use std::ops::Range;

use toml::de::DeTable;

use super::value::key_text;
use super::{Findings, Mistake, Value, nearest};

pub struct Table<'t> {
    pub findings: &'t Findings<'t>,
    /// What to call it in messages, such as `[drives.shelf]`.
    pub words: String,
    /// Where a missing key is told.
    pub range: Range<usize>,
    left: BTreeMap<&'t str, (Range<usize>, Value<'t>)>,
    known: Vec<&'static str>,
}

impl<'t> Table<'t> {
    pub fn new(
        findings: &'t Findings<'t>,
        words: impl Into<String>,
        range: Range<usize>,
        table: &'t DeTable<'t>,
    ) -> Self {
        let left = table.iter().map(|(key, value)| {
            let text = key_text(key);
            (text, (key.span(), Value::new(findings, text, value)))
        });
        Self {
            findings,
            words: words.into(),
            range,
            left: left.collect(),
            known: Vec::new(),
        }
    }

    /// The value of a key, if it is there. From now on the key is a known one.
    pub fn take(&mut self, key: &'static str) -> Option<Value<'t>> {
        self.known.push(key);
        self.left.remove(key).map(|(_, value)| value)
    }

    /// The value of a key that must be there.
    pub fn require(&mut self, key: &'static str, help: &str) -> Option<Value<'t>> {
        let value = self.take(key);
        if value.is_none() {
            self.miss(key, help);
        }
        value
    }

    /// Say that a key is missing.
    pub fn miss(&self, key: &str, help: &str) {
        let message = format!("{} has no `{key}`", self.words);
        self.findings
            .missing(&self.range, Mistake::new(message).help(help));
    }

    /// Whether the key is there and not yet taken.
    pub fn holds(&self, key: &str) -> bool {
        self.left.contains_key(key)
    }

    /// The text of a key that `parse` accepts.
    pub fn optional<T>(
        &mut self,
        key: &'static str,
        expected: &str,
        parse: impl FnOnce(&str) -> Result<T, Mistake>,
    ) -> Option<T> {
        self.take(key)?.parse(expected, parse)
    }

    /// As `optional`, and the key must be there.
    pub fn required<T>(
        &mut self,
        key: &'static str,
        expected: &str,
        parse: impl FnOnce(&str) -> Result<T, Mistake>,
    ) -> Option<T> {
        self.require(key, &format!("add `{key}`: {expected}"))?
            .parse(expected, parse)
    }

    /// All keys with the places of their names and their values: for tables whose keys are names.
    pub fn into_entries(self) -> impl Iterator<Item = (&'t str, Range<usize>, Value<'t>)> {
        self.left
            .into_iter()
            .map(|(key, (range, value))| (key, range, value))
    }

    /// Every key that was not taken is a mistake.
    pub fn finish(self) {
        self.finish_explaining(|_| None);
    }

    /// As `finish`, with better words where `explain` has some.
    pub fn finish_explaining(self, explain: impl Fn(&str) -> Option<Mistake>) {
        let known = self.known.join(", ");
        for (key, (range, _)) in &self.left {
            let mistake = explain(key).unwrap_or_else(|| {
                Mistake::new(format!("unknown key `{key}` in {}", self.words))
                    .allowed(&known)
                    .nearest(nearest(key, self.known.iter().copied()))
            });
            self.findings.error(range, mistake);
        }
    }
}
