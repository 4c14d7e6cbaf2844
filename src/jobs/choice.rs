//! A value that is one of a few words.

use super::Mistake;
use super::reading::{Value, nearest};

pub fn choose<T: Copy>(value: &Value<'_>, words: &[(&'static str, T)]) -> Option<T> {
    let names: Vec<_> = words.iter().map(|(word, _)| *word).collect();
    let allowed = names.join(", ");
    value.parse(&allowed, |text| {
        let found = words.iter().find(|(word, _)| *word == text);
        found.map(|(_, choice)| *choice).ok_or_else(|| {
            Mistake::new(format!("`{text}` is no `{}`", value.key))
                .nearest(nearest(text, names.iter().copied()))
        })
    })
}
