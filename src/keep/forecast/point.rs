//! One figure at one time, which is all that a fit knows.

/// `x` in days since some beginning, `y` in bytes; the fits ask for neither unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Point {
    pub x: f64,
    pub y: f64,
}

/// The middle of `values` by size, the mean of the two middle ones where there is no one middle; NaN of none.
pub fn median(values: &mut [f64]) -> f64 {
    values.sort_unstable_by(f64::total_cmp);
    let half = values.len() / 2;
    match values.len() {
        0 => f64::NAN,
        odd if odd % 2 == 1 => values[half],
        _ => f64::midpoint(values[half - 1], values[half]),
    }
}

/// A count of points, to reckon with.
#[expect(
    clippy::cast_precision_loss,
    reason = "counts of points, far below 2^52"
)]
pub(super) fn amount(count: usize) -> f64 {
    count as f64
}
