//! Percentages: "30 %".

/// A whole percentage from 1 to 100.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Percent(pub u8);
