//! What is to come, from what was recorded: when drives fill, how far back history will reach, what cap it needs.
//!
//! Figures of runs become a [`Series`] of at most a point a day, cut where the level jumped. [`Growth`] fits it: the
//! robust slope of [`theil_sen`], with an interval that [`least_squares`] and the scatter of the series widen. From
//! that [`Filling`] tells of a drive, and [`HistoryOutlook`] of a job, by what a [`Demand`] says older generations hold.
//! Every interval is meant to hold what comes in 95 of 100 cases, if things go on as they did.

#![expect(
    clippy::float_cmp,
    reason = "ties are figures that are exactly equal, and the numbers of the tests are exact"
)]

mod ages;
mod demand;
mod demands;
mod filling;
mod growth;
mod history;
mod least_squares;
mod point;
mod series;
mod theil_sen;
mod twice;

pub use ages::{KeptAges, days};
pub use demand::{Demand, Holding};
pub use filling::{DriveFigures, DriveSeries, Filling, Moments, Outlook};
pub use growth::{Arrival, Estimate, Growth, HORIZON_DAYS, LEVEL};
pub use history::{
    AskedBy, HistoryOutlook, JobFigures, JobSeries, Limit, Reach, Reckoned, Situation, Wanted,
};
pub use least_squares::{LeastSquares, least_squares};
pub use point::Point;
pub use series::{Basis, Series};
pub use theil_sen::{RobustLine, theil_sen};
