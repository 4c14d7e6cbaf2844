//! What is to come, from what was recorded.
mod ages;
mod demand;
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
