//! `[[keep]]`: one generation each `every`, for as long as `for`.

use super::reading::Table;
use super::{Mistake, Span};

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct KeepRule {
    pub every: Span,
    pub span: Span,
}

impl KeepRule {
    pub(super) fn read(mut table: Table<'_>) -> Option<Self> {
        let every = table.required("every", Span::EXPECTED, Span::parse);
        let value = table.require("for", "add `for`: how long, such as \"2 weeks\"");
        let span = value
            .as_ref()
            .and_then(|v| v.parse(Span::EXPECTED, Span::parse));
        if let (Some(every), Some(span), Some(value)) = (every, span, value)
            && every.seconds() > span.seconds()
        {
            let message = format!("one generation each {every} for only {span} keeps nothing");
            value.refuse(Mistake::new(message).allowed("`for` at least as long as `every`"));
        }
        table.finish_explaining(super::job::misplaced_under_list);
        Some(Self {
            every: every?,
            span: span?,
        })
    }
}
