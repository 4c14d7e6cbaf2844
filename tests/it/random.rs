//! Chance that can be played again: its seed is shown, and taken from the environment.

/// A xorshift generator (Marsaglia 2003, "Xorshift RNGs"), enough for picking moments, names and edits.
pub struct Random(u64);

impl Random {
    /// Seeded by this variable of the environment, or by the clock; shows the seed either way.
    pub fn new(variable: &str) -> Self {
        let time = std::time::SystemTime::now().duration_since(std::time::UNIX_EPOCH);
        let given = std::env::var(variable)
            .ok()
            .and_then(|text| text.parse().ok());
        let seed: u64 = given.unwrap_or_else(|| u64::from(time.unwrap().subsec_nanos()) | 1);
        eprintln!("{variable}={seed}");
        // neighbouring seeds must not begin alike, and none may be zero (Knuth's multiplier for MMIX)
        Self(seed.wrapping_mul(6_364_136_223_846_793_005) | 1)
    }

    /// From 0 to less than `limit`.
    pub fn below(&mut self, limit: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % limit
    }

    /// True `times` in `of` times.
    pub fn chance(&mut self, times: u64, of: u64) -> bool {
        self.below(of) < times
    }

    pub fn pick<'a, T>(&mut self, from: &'a [T]) -> &'a T {
        &from[self.index(from.len())]
    }

    pub fn index(&mut self, length: usize) -> usize {
        usize::try_from(self.below(length as u64)).unwrap()
    }
}
