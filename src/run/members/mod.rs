//! The members of an export, between the programs that write them and the archive that holds them.

mod entries;
mod keep;
mod pack;
mod step;
mod unpack;

pub use entries::entries;
pub use keep::{Kept, keep};
pub use pack::pack;
pub use unpack::unpack;
