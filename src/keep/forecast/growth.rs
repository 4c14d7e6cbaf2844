//! How fast a figure grows, and when it will have grown by so much: likely, and within what bounds.
//!
//! The likely rate is the robust slope. Its interval covers three ways to be wrong: Sen's, for figures that stray
//! from a line independently; the plain least-squares line, which large single steps pull; and that of the rates of
//! consecutive pieces of the series (batch means, as simulations are judged by), for figures whose steps add up,
//! as the use of a drive does: there a line through the levels looks much surer than it is.

use serde::Serialize;

use super::least_squares::least_squares;
use super::point::{Point, amount};
use super::series::Series;
use super::theil_sen::theil_sen;

/// Nothing is foretold beyond ten years.
pub const HORIZON_DAYS: u32 = 3653;

/// The level of confidence of every interval, in per cent.
pub const LEVEL: u32 = 95;

/// Into how many pieces a series is cut.
const PIECES: usize = 8;

/// Two-sided 95 % of Student's t with 1, 2, … degrees of freedom (NIST/SEMATECH e-Handbook, 1.3.6.7.2).
const STUDENT: [f64; 11] = [
    12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228, 2.201,
];

/// A likely value and the 95 % interval about it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Estimate {
    pub likely: f64,
    pub low: f64,
    pub high: f64,
}

/// When something will have come about, in days; nothing where not within [`HORIZON_DAYS`].
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize)]
pub struct Arrival {
    pub earliest: Option<f64>,
    pub likely: Option<f64>,
    pub latest: Option<f64>,
}

/// How a series grows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Growth {
    /// Bytes a day.
    pub per_day: Estimate,
    /// The mean of the pieces' rates.
    mean: f64,
    /// Half the interval of one piece's rate.
    reach: f64,
    pieces: f64,
    /// The length of a piece in days.
    length: f64,
    /// By how much the largest single step was more than the likely rate.
    largest: f64,
}

impl Growth {
    /// `None` while too little is known; `whole` as for [`Series::stretches`].
    pub fn of(series: &Series, whole: f64) -> Option<Self> {
        if !series.is_enough() {
            return None;
        }
        let stretches = series.stretches(whole);
        let line = theil_sen(&stretches)?;
        let plain = plain_slope(&stretches).unwrap_or(line.slope);
        let pieces = Pieces::of(&stretches)?;
        let half = pieces.reach / pieces.count.sqrt();
        Some(Self {
            per_day: Estimate {
                likely: line.slope,
                low: line.low.min(plain).min(line.slope.min(pieces.mean) - half),
                high: line.high.max(plain).max(line.slope.max(pieces.mean) + half),
            },
            mean: pieces.mean,
            reach: pieces.reach,
            pieces: pieces.count,
            length: pieces.length,
            largest: largest_step(&stretches, line.slope),
        })
    }

    /// When it will have grown by `amount` bytes, counted in days from the last point. Where the bounds cross it
    /// is looked for day by day.
    pub fn until(&self, amount: f64) -> Arrival {
        let first = |grown: &dyn Fn(f64) -> f64| {
            if amount <= 0.0 {
                return Some(0.0);
            }
            let day = (1..=HORIZON_DAYS)
                .map(f64::from)
                .find(|days| grown(*days) >= amount)?;
            let (before, after) = (grown(day - 1.0), grown(day));
            let part = if before < amount {
                (amount - before) / (after - before)
            } else {
                0.0
            };
            Some(day - 1.0 + part)
        };
        Arrival {
            earliest: first(&|days| self.grown(days).high),
            likely: first(&|days| self.grown(days).likely),
            latest: first(&|days| self.grown(days).low),
        }
    }

    /// By how much it will have grown after so many days: the rate is not known exactly, and the days to come
    /// will differ from each other as those before did. A step as large as the largest may come on any day.
    pub fn grown(&self, days: f64) -> Estimate {
        let likely = self.per_day.likely * days;
        let spread = self.reach * (days * days / self.pieces + self.length * days).sqrt();
        Estimate {
            likely,
            low: (self.per_day.low * days).min(likely.min(self.mean * days) - spread),
            high: (self.per_day.high * days)
                .max(likely.max(self.mean * days) + spread + self.largest),
        }
    }
}

/// The slope by least squares, each stretch with a level of its own.
fn plain_slope(stretches: &[&[Point]]) -> Option<f64> {
    let all = || stretches.iter().copied().flatten();
    let mut columns = vec![all().map(|point| point.x).collect()];
    for place in 0..stretches.len() {
        let belongs = (0..).zip(stretches);
        let level = belongs.flat_map(|(number, stretch)| {
            stretch
                .iter()
                .map(move |_| if number == place { 1.0 } else { 0.0 })
        });
        columns.push(level.collect::<Vec<f64>>());
    }
    let y: Vec<f64> = all().map(|point| point.y).collect();
    Some(*least_squares(&columns, &y)?.coefficients.first()?)
}

/// What the largest step between neighbours had above `rate`; at least nothing.
fn largest_step(stretches: &[&[Point]], rate: f64) -> f64 {
    let steps = stretches.iter().flat_map(|stretch| stretch.windows(2));
    steps
        .map(|pair| pair[1].y - pair[0].y - rate * (pair[1].x - pair[0].x))
        .fold(0.0, f64::max)
}

/// The rates of consecutive pieces.
struct Pieces {
    count: f64,
    mean: f64,
    length: f64,
    reach: f64,
}

impl Pieces {
    fn of(stretches: &[&[Point]]) -> Option<Self> {
        let steps: usize = stretches.iter().map(|stretch| stretch.len() - 1).sum();
        let each = steps.div_ceil(PIECES).max(2);
        let ends = stretches.iter().flat_map(|stretch| cut(stretch, each));
        let (mut rates, mut lengths) = (Vec::new(), Vec::new());
        for (first, last) in ends {
            rates.push((last.y - first.y) / (last.x - first.x));
            lengths.push(last.x - first.x);
        }
        let count = amount(rates.len());
        let mean = rates.iter().sum::<f64>() / count;
        let squares: f64 = rates.iter().map(|rate| (rate - mean).powi(2)).sum();
        let freedom = rates.len().checked_sub(2)?;
        let student = STUDENT[freedom.min(STUDENT.len() - 1)];
        Some(Self {
            count,
            mean,
            length: lengths.iter().sum::<f64>() / count,
            reach: student * (squares / (count - 1.0)).sqrt(),
        })
    }
}

/// The ends of pieces of `steps` steps; one ends where the next begins, and a short rest belongs to the last.
fn cut(stretch: &[Point], steps: usize) -> Vec<(Point, Point)> {
    let count = (stretch.len() - 1) / steps;
    let end = |piece: usize| {
        if piece == count {
            stretch.len() - 1
        } else {
            piece * steps
        }
    };
    (0..count)
        .map(|piece| (stretch[piece * steps], stretch[end(piece + 1)]))
        .collect()
}

#[cfg(test)]
#[path = "growth_tests.rs"]
mod tests;
