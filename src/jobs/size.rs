//! Sizes: "1.5 TB", "20 GiB", "800 bytes".

/// A number of bytes.
#[derive(
    Debug,
    Clone,
    Copy,
    Default,
    PartialEq,
    Eq,
    PartialOrd,
    Ord,
    serde::Serialize,
    serde::Deserialize,
)]
#[serde(transparent)]
pub struct Size(pub u64);

impl Size {
    pub const EXPECTED: &str =
        "a number and a unit (B, kB, MB, GB, TB, KiB, MiB, GiB, TiB), such as \"1.5 TB\"";

    pub fn bytes(self) -> u64 {
        self.0
    }
}

impl std::fmt::Display for Size {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} B", self.0)
    }
}
