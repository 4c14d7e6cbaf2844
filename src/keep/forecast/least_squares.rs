//! Ordinary least squares by Householder reflections, which lose far fewer digits than the normal equations.
//!
//! G. H. Golub, "Numerical methods for solving linear least squares problems", Numerische Mathematik 7 (1965),
//! 206-216. Columns are scaled to about the same length first, by powers of two, so that one in bytes and one in days
//! do not swamp each other; fit and residuals are then refined together with sums in twice the precision, as
//! Å. Björck does (BIT 7 (1967), 257-278).

use super::point::amount;
use super::twice::{Twice, dot};

/// What is known of a fit of `y` to the columns of a design.
#[derive(Debug, Clone, PartialEq)]
pub struct LeastSquares {
    /// One for each column.
    pub coefficients: Vec<f64>,
    /// The standard error of each coefficient.
    pub errors: Vec<f64>,
    pub residual_sd: f64,
    /// The share of the variation of `y` that the fit accounts for; about zero where no column is constant.
    pub r_squared: f64,
    /// Observations less coefficients.
    pub freedom: usize,
}

/// `columns` are as long as `y`. `None` when there are not more observations than columns, a figure is not
/// finite, or a column is made of the others.
pub fn least_squares(columns: &[Vec<f64>], y: &[f64]) -> Option<LeastSquares> {
    let is_sound = |values: &[f64]| values.len() == y.len() && values.iter().all(|v| v.is_finite());
    let fits = columns.iter().all(|column| is_sound(column)) && is_sound(y);
    let freedom = y
        .len()
        .checked_sub(columns.len())
        .filter(|free| *free > 0)?;
    if !fits || columns.is_empty() {
        return None;
    }
    let scales: Vec<f64> = columns.iter().map(|column| scale(column)).collect();
    let scaled: Vec<Vec<f64>> = (columns.iter().zip(&scales))
        .map(|(column, scale)| column.iter().map(|v| v / scale).collect())
        .collect();
    let factors = Factors::of(scaled.clone())?;
    let mut state = Refined {
        coefficients: vec![0.0; scaled.len()],
        residuals: vec![0.0; y.len()],
    };
    for _ in 0..ROUNDS {
        state.refine(&factors, &scaled, y);
    }
    let Refined {
        coefficients,
        residuals: left,
    } = state;
    let residual_sum = dot(&left, &left);
    let residual_sd = (residual_sum / amount(freedom)).sqrt();
    let errors = factors.error_factors();
    Some(LeastSquares {
        coefficients: (coefficients.iter().zip(&scales))
            .map(|(c, s)| c / s)
            .collect(),
        errors: (errors.iter().zip(&scales))
            .map(|(e, s)| residual_sd * e / s)
            .collect(),
        residual_sd,
        r_squared: 1.0 - residual_sum / variation(columns, y),
        freedom,
    })
}

/// The power of two nearest to a column's length: dividing by it loses no digit.
fn scale(column: &[f64]) -> f64 {
    length(column).max(f64::MIN_POSITIVE).log2().round().exp2()
}

/// The first solves; a fourth shows in no certified digit.
const ROUNDS: usize = 3;

/// The sum of squares about the mean, or about zero when the fit has no constant.
fn variation(columns: &[Vec<f64>], y: &[f64]) -> f64 {
    let has_constant = columns
        .iter()
        .any(|column| column.iter().all(|v| v == &column[0]) && column[0] != 0.0);
    let ones = vec![1.0; y.len()];
    let mean = if has_constant {
        dot(&ones, y) / amount(y.len())
    } else {
        0.0
    };
    let about: Vec<f64> = y.iter().map(|value| value - mean).collect();
    dot(&about, &about)
}

/// Coefficients and residuals, which satisfy `residuals + design * coefficients = y` and `design' * residuals = 0`
/// ever better.
struct Refined {
    coefficients: Vec<f64>,
    residuals: Vec<f64>,
}

impl Refined {
    /// What either equation lacks is summed in twice the precision, and solved for by the factors.
    fn refine(&mut self, factors: &Factors, columns: &[Vec<f64>], y: &[f64]) {
        let lack: Vec<f64> = (y.iter().zip(&self.residuals).enumerate())
            .map(|(row, (value, residual))| {
                let mut left = Twice::of(*value);
                left.add_product(-1.0, *residual);
                for (column, coefficient) in columns.iter().zip(&self.coefficients) {
                    left.add_product(-column[row], *coefficient);
                }
                left.rounded()
            })
            .collect();
        let lean: Vec<f64> = columns
            .iter()
            .map(|column| -dot(column, &self.residuals))
            .collect();
        let lean = factors.forward(lean);
        let mut turned = factors.turn(lack);
        let by_columns: Vec<f64> = turned.iter().zip(&lean).map(|(a, b)| a - b).collect();
        turned[..lean.len()].copy_from_slice(&lean);
        add(&mut self.coefficients, &factors.back(by_columns));
        add(&mut self.residuals, &factors.turn_back(turned));
    }
}

fn add(values: &mut [f64], more: &[f64]) {
    for (value, more) in values.iter_mut().zip(more) {
        *value += more;
    }
}

/// The reflections that make a design upper triangular, and that triangle.
struct Factors {
    /// Column `k` holds its reflection from row `k` on.
    reflections: Vec<Vec<f64>>,
    /// Column `j` holds rows `0..=j`.
    triangle: Vec<Vec<f64>>,
}

impl Factors {
    fn of(mut columns: Vec<Vec<f64>>) -> Option<Self> {
        let (mut reflections, mut triangle) = (Vec::new(), Vec::new());
        for k in 0..columns.len() {
            let (done, rest) = columns.split_at_mut(k + 1);
            let column = &mut done[k];
            let mut mirror = column[k..].to_vec();
            let size = length(&mirror);
            // columns are of length about 1: what is left of one that the others make up is rounding
            if size.is_nan() || size < amount(column.len()) * f64::EPSILON {
                return None;
            }
            mirror[0] += size.copysign(mirror[0]);
            let norm = length(&mirror);
            for value in &mut mirror {
                *value /= norm;
            }
            reflect(&mirror, &mut column[k..]);
            for other in rest {
                reflect(&mirror, &mut other[k..]);
            }
            triangle.push(column[..=k].to_vec());
            reflections.push(mirror);
        }
        Some(Self {
            reflections,
            triangle,
        })
    }

    /// By all reflections.
    fn turn(&self, mut values: Vec<f64>) -> Vec<f64> {
        for (k, mirror) in self.reflections.iter().enumerate() {
            reflect(mirror, &mut values[k..]);
        }
        values
    }

    fn turn_back(&self, mut values: Vec<f64>) -> Vec<f64> {
        for (k, mirror) in self.reflections.iter().enumerate().rev() {
            reflect(mirror, &mut values[k..]);
        }
        values
    }

    /// Solves the transposed triangle for a right side.
    fn forward(&self, mut side: Vec<f64>) -> Vec<f64> {
        for (j, column) in self.triangle.iter().enumerate() {
            let known = dot(&column[..j], &side[..j]);
            side[j] = (side[j] - known) / column[j];
        }
        side
    }

    /// Solves the triangle for a right side.
    fn back(&self, mut side: Vec<f64>) -> Vec<f64> {
        for j in (0..side.len()).rev() {
            let column = &self.triangle[j];
            side[j] /= column[j];
            let known = side[j];
            for (value, factor) in side[..j].iter_mut().zip(column) {
                *value -= factor * known;
            }
        }
        side
    }

    /// The square roots of the diagonal of the inverse of the normal matrix: the lengths of the rows of the
    /// inverse triangle.
    fn error_factors(&self) -> Vec<f64> {
        let size = self.triangle.len();
        let mut sums = vec![0.0; size];
        for j in 0..size {
            let mut unit = vec![0.0; size];
            unit[j] = 1.0;
            for (sum, value) in sums.iter_mut().zip(self.back(unit)) {
                *sum += value * value;
            }
        }
        sums.into_iter().map(f64::sqrt).collect()
    }
}

/// Mirrors `values` at the plane that `mirror`, of length 1, stands on.
fn reflect(mirror: &[f64], values: &mut [f64]) {
    let along = 2.0 * dot(mirror, values);
    for (value, part) in values.iter_mut().zip(mirror) {
        *value -= along * part;
    }
}

fn length(values: &[f64]) -> f64 {
    dot(values, values).sqrt()
}

#[cfg(test)]
#[path = "strd_tests.rs"]
mod tests;
