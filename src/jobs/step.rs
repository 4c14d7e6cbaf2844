//! `[[pre]]` and `[[post]]`: a command run around a job, as an argv list.

use std::collections::BTreeMap;

use super::Span;

#[derive(Debug, Clone, PartialEq)]
pub struct StepSpec {
    /// Program and arguments; no shell reads them.
    pub run: Vec<String>,
    /// The account it runs as; hayloft's own unless given.
    pub user: Option<String>,
    pub env: BTreeMap<String, String>,
    pub timeout: Option<Span>,
    pub on: On,
}

/// When a post step runs, by how the job went so far. A pre step is always `Always`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum On {
    Always,
    Success,
    Failure,
}
