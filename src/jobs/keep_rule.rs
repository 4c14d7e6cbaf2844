//! `[[keep]]`: one generation each `every`, for as long as `for`.

use super::Span;

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct KeepRule {
    pub every: Span,
    pub span: Span,
}
