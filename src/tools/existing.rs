//! What is to happen to files that are at the target already when copies are brought back.

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Existing {
    /// They stay as they are.
    Keep,
    /// They give way.
    Replace,
}
