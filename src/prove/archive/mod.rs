//! Manifests of archives, made while the archive is written: filters that hand on every byte, and tell of them.

mod filter;
mod list;
mod member;
mod order;
mod sparse;
mod stream;
mod sum;

pub use filter::{Tee, hand_on};
pub use list::{Listing, list};
pub use sum::{Sum, sum};
