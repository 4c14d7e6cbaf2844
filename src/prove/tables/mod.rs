//! What a database held when it was exported, table by table, and whether what was loaded again holds the same.

mod compare;
mod error;
mod facts;
mod postgresql;
mod postgresql_dump;
mod postgresql_queries;

pub use compare::{Comparison, compare};
pub use error::TablesError;
pub use facts::{Certainty, Creation, Engine, Extension, Objects, Table, TableKind, Tables};
pub use postgresql::measure as measure_postgresql;
pub use postgresql_dump::dump as dump_postgresql;
