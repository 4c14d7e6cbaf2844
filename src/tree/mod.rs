//! Native, parallel work on trees: what rsync does one name after the other.

mod exclusions;
mod wildcard;

pub use exclusions::Exclusions;
