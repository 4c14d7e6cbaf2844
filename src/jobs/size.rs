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
        const UNITS: [(u64, &str); 4] = [
            (1_000_000_000_000, "TB"),
            (1_000_000_000, "GB"),
            (1_000_000, "MB"),
            (1000, "kB"),
        ];
        for (unit, name) in UNITS {
            if self.0 >= unit {
                let tenths = u128::from(self.0) * 10 / u128::from(unit);
                let words = match tenths % 10 {
                    0 => format!("{} {name}", tenths / 10),
                    tenth => format!("{}.{tenth} {name}", tenths / 10),
                };
                return f.pad(&words);
            }
        }
        f.pad(&format!("{} B", self.0))
    }
}
