//! The slope of Theil and Sen: the median of the slopes between all pairs of points, which up to 29 % of wild
//! points cannot carry away, with Sen's interval.
//!
//! P. K. Sen, "Estimates of the regression coefficient based on Kendall's tau", Journal of the American
//! Statistical Association 63 (1968), 1379-1389. The points may come in stretches between which the level
//! jumped: pairs are then taken within each stretch only and the variances added, as R. M. Hirsch, J. R. Slack
//! and R. A. Smith do with seasons (Water Resources Research 18 (1982), 107-121).

use super::point::{Point, amount, median};

/// Two-sided 95 % of the standard normal distribution (NIST/SEMATECH e-Handbook, 1.3.6.7.1).
const Z: f64 = 1.959_963_984_540_054;

/// A line fitted by the median of pairwise slopes; its unit is that of `y` over that of `x`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RobustLine {
    pub slope: f64,
    /// The lower end of the 95 % interval of the slope, which presumes that residuals do not hang together.
    pub low: f64,
    pub high: f64,
    /// Of the last stretch: median of `y` less slope times median of `x`.
    pub intercept: f64,
}

/// `None` when no two points of a stretch differ in `x`, or a figure is not finite.
pub fn theil_sen(stretches: &[&[Point]]) -> Option<RobustLine> {
    let mut slopes: Vec<f64> = stretches.iter().flat_map(|one| pair_slopes(one)).collect();
    if slopes.is_empty() || slopes.iter().any(|slope| !slope.is_finite()) {
        return None;
    }
    let slope = median(&mut slopes);
    let variance: f64 = stretches.iter().map(|one| kendall_variance(one)).sum();
    let (low, high) = sen_ranks(slopes.len(), variance);
    let last = stretches.last()?;
    let middle = |of: fn(&Point) -> f64| median(&mut last.iter().map(of).collect::<Vec<f64>>());
    Some(RobustLine {
        slope,
        low: slopes[low],
        high: slopes[high],
        intercept: middle(|point| point.y) - slope * middle(|point| point.x),
    })
}

/// The slope between every two points that are not at the same `x`.
fn pair_slopes(points: &[Point]) -> impl Iterator<Item = f64> {
    let pairs = (points.iter().enumerate()).flat_map(|(index, first)| {
        points[index + 1..]
            .iter()
            .map(move |second| (first, second))
    });
    pairs
        .filter(|(first, second)| first.x != second.x)
        .map(|(first, second)| (second.y - first.y) / (second.x - first.x))
}

/// The variance of Kendall's S with ties in either coordinate (Sen 1968).
fn kendall_variance(points: &[Point]) -> f64 {
    let count = amount(points.len());
    let full = count * (count - 1.0) * (2.0 * count + 5.0);
    let tied =
        tie_term(points.iter().map(|point| point.x)) + tie_term(points.iter().map(|point| point.y));
    (full - tied) / 18.0
}

/// The sum of `t (t - 1) (2 t + 5)` over groups of `t` equal values.
fn tie_term(values: impl Iterator<Item = f64>) -> f64 {
    let mut values: Vec<f64> = values.collect();
    values.sort_unstable_by(f64::total_cmp);
    let groups = values.chunk_by(|first, second| first == second);
    groups
        .map(|group| amount(group.len()))
        .map(|size| size * (size - 1.0) * (2.0 * size + 5.0))
        .sum()
}

/// The ranks among `count` sorted slopes between which the true one is in 95 of 100 cases.
#[expect(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "kept between 0 and a length"
)]
fn sen_ranks(count: usize, variance: f64) -> (usize, usize) {
    let half = Z * variance.max(0.0).sqrt();
    let rank = |at: f64| (at / 2.0).round_ties_even().max(0.0) as usize;
    let low = rank(amount(count) - half).saturating_sub(1);
    let high = rank(amount(count) + half).min(count - 1);
    (low, high)
}

#[cfg(test)]
#[path = "theil_sen_tests.rs"]
mod tests;
