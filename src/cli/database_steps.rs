//! The hidden commands for databases, each to what it does.

use super::database_arguments::DatabaseCommand;
use super::{load_database, replace_mariadb, tables};
use crate::exit::Exit;

pub fn obey(command: DatabaseCommand) -> Exit {
    match command {
        DatabaseCommand::DumpPostgresql(wanted) => tables::dump_postgresql(wanted),
        DatabaseCommand::ComparePostgresql(wanted) => tables::compare_postgresql(wanted),
        DatabaseCommand::PostgresqlRoles(wanted) => tables::postgresql_roles(wanted),
        DatabaseCommand::StartServer(wanted) => tables::start_server(wanted),
        DatabaseCommand::SwapPostgresql(wanted) => load_database::swap(wanted),
        DatabaseCommand::UnswapPostgresql(wanted) => load_database::unswap(wanted),
        DatabaseCommand::PlaceSqlite(wanted) => load_database::place(&wanted),
        DatabaseCommand::UnplaceSqlite(wanted) => load_database::unplace(&wanted),
        DatabaseCommand::DumpMariadb(wanted) => tables::dump_mariadb(wanted),
        DatabaseCommand::CompareMariadb(wanted) => tables::compare_mariadb(wanted),
        DatabaseCommand::MariadbUsers(wanted) => tables::mariadb_users(wanted),
        DatabaseCommand::KeepMariadb { to } => replace_mariadb::keep(&to),
        DatabaseCommand::ReplaceMariadb(wanted) => replace_mariadb::replace(wanted),
        DatabaseCommand::UnreplaceMariadb(wanted) => replace_mariadb::unreplace(wanted),
        DatabaseCommand::DumpSqlite(wanted) => tables::dump_sqlite(&wanted),
        DatabaseCommand::CompareSqlite { file } => tables::compare_sqlite(&file),
    }
}
