//! What a database held when it was exported, table by table, and whether what was loaded again holds the same.

mod compare;
mod error;
mod facts;
mod mariadb;
mod mariadb_change;
mod mariadb_dump;
mod mariadb_queries;
mod mariadb_users;
mod postgresql;
mod postgresql_dump;
mod postgresql_queries;
mod postgresql_roles;
mod sqlite;
mod sqlite_dump;

pub use compare::{Comparison, compare};
pub use error::TablesError;
pub use facts::{Certainty, Creation, Engine, Extension, Objects, Table, TableKind, Tables};
pub use mariadb::{Session as MariadbSession, measure as measure_mariadb};
pub use mariadb_change::is_empty as is_empty_mariadb;
pub use mariadb_dump::dump as dump_mariadb;
pub use mariadb_users::{missing_users, users};
pub use postgresql::{is_empty as is_empty_postgresql, measure as measure_postgresql};
pub use postgresql_dump::dump as dump_postgresql;
pub use postgresql_roles::missing_roles;
pub use sqlite::measure_file as measure_sqlite;
pub use sqlite_dump::dump as dump_sqlite;
