//! What MariaDB is asked about a database: rows of JSON, one a line.

use crate::tools::mariadb::{identifier, literal};

/// Before anything else, so that nothing depends on how the server or the role is set up.
pub const SETTINGS: &str = "\
SET NAMES utf8mb4; SET SESSION sql_mode = '', time_zone = '+00:00', max_statement_time = 0, lock_wait_timeout = 3600, \
idle_transaction_timeout = 0, wait_timeout = 604800, sql_quote_show_create = 1";

/// All that follows sees one moment, in tables that know transactions.
pub const BEGIN: &str = "SET SESSION TRANSACTION ISOLATION LEVEL REPEATABLE READ; \
START TRANSACTION WITH CONSISTENT SNAPSHOT, READ ONLY";

pub fn database(name: &str) -> String {
    format!(
        "SELECT JSON_OBJECT('version', VERSION(), 'charset', DEFAULT_CHARACTER_SET_NAME, 'collation', \
         DEFAULT_COLLATION_NAME) FROM information_schema.SCHEMATA WHERE BINARY SCHEMA_NAME = BINARY {}",
        literal(name)
    )
}

/// How much there is in it.
pub fn amount(database: &str) -> String {
    let database = literal(database);
    format!(
        "SELECT (SELECT COUNT(*) FROM information_schema.TABLES WHERE BINARY TABLE_SCHEMA = BINARY {database}) \
         + (SELECT COUNT(*) FROM information_schema.ROUTINES WHERE BINARY ROUTINE_SCHEMA = BINARY {database})"
    )
}

/// Those of others in it.
pub fn sessions(database: &str) -> String {
    format!(
        "SELECT ID FROM information_schema.PROCESSLIST WHERE BINARY DB = BINARY {} AND ID <> CONNECTION_ID()",
        literal(database)
    )
}

/// What the role may do with all of a database. What it may not see is not in any list: an export would look whole.
pub fn privileges(database: &str) -> String {
    format!(
        "SELECT JSON_OBJECT('privilege', PRIVILEGE_TYPE) FROM information_schema.USER_PRIVILEGES \
         WHERE GRANTEE = CONCAT('''', REPLACE(CURRENT_USER(), '@', '''@'''), '''') \
         UNION SELECT JSON_OBJECT('privilege', PRIVILEGE_TYPE) FROM information_schema.SCHEMA_PRIVILEGES \
         WHERE GRANTEE = CONCAT('''', REPLACE(CURRENT_USER(), '@', '''@'''), '''') AND BINARY TABLE_SCHEMA = BINARY {}",
        literal(database)
    )
}

/// Without one of these some of a database stays out of sight.
pub const NEEDED: [&str; 4] = ["EVENT", "SELECT", "SHOW VIEW", "TRIGGER"];

pub fn tables(database: &str) -> String {
    format!(
        "SELECT JSON_OBJECT('name', t.TABLE_NAME, 'type', t.TABLE_TYPE, 'engine', t.ENGINE, 'transactions', \
         e.TRANSACTIONS, 'floats', (SELECT COUNT(*) FROM information_schema.COLUMNS c WHERE c.TABLE_SCHEMA = \
         t.TABLE_SCHEMA AND c.TABLE_NAME = t.TABLE_NAME AND c.DATA_TYPE = 'float')) \
         FROM information_schema.TABLES t LEFT JOIN information_schema.ENGINES e ON e.ENGINE = t.ENGINE \
         WHERE BINARY t.TABLE_SCHEMA = BINARY {} AND t.TABLE_TYPE IN ('BASE TABLE', 'SYSTEM VERSIONED', 'SEQUENCE') \
         ORDER BY BINARY t.TABLE_NAME",
        literal(database)
    )
}

/// What has no rows. The text of views names the database that they are in, and is left out.
pub fn objects(database: &str) -> String {
    let database = literal(database);
    format!(
        "SELECT JSON_OBJECT('kind', 'views', 'what', TABLE_NAME) FROM information_schema.VIEWS \
         WHERE BINARY TABLE_SCHEMA = BINARY {database} \
         UNION ALL SELECT JSON_OBJECT('kind', 'routines', 'what', CONCAT_WS(' ', ROUTINE_TYPE, ROUTINE_NAME, \
         ROUTINE_DEFINITION)) FROM information_schema.ROUTINES WHERE BINARY ROUTINE_SCHEMA = BINARY {database} \
         UNION ALL SELECT JSON_OBJECT('kind', 'triggers', 'what', CONCAT_WS(' ', TRIGGER_NAME, ACTION_TIMING, \
         EVENT_MANIPULATION, EVENT_OBJECT_TABLE, ACTION_STATEMENT)) FROM information_schema.TRIGGERS \
         WHERE BINARY TRIGGER_SCHEMA = BINARY {database} \
         UNION ALL SELECT JSON_OBJECT('kind', 'indexes', 'what', CONCAT_WS(' ', TABLE_NAME, INDEX_NAME, SEQ_IN_INDEX, \
         COLUMN_NAME, NON_UNIQUE)) FROM information_schema.STATISTICS WHERE BINARY TABLE_SCHEMA = BINARY {database} \
         UNION ALL SELECT JSON_OBJECT('kind', 'constraints', 'what', CONCAT_WS(' ', TABLE_NAME, CONSTRAINT_NAME, \
         CONSTRAINT_TYPE)) FROM information_schema.TABLE_CONSTRAINTS WHERE BINARY TABLE_SCHEMA = BINARY {database} \
         UNION ALL SELECT JSON_OBJECT('kind', 'columns', 'what', CONCAT_WS(' ', TABLE_NAME, COLUMN_NAME, COLUMN_TYPE)) \
         FROM information_schema.COLUMNS WHERE BINARY TABLE_SCHEMA = BINARY {database}"
    )
}

/// `OFF`, `ON`, or `DISABLED` since its start.
pub const SCHEDULER: &str = "SELECT @@GLOBAL.event_scheduler";

pub fn events(database: &str) -> String {
    format!(
        "SELECT JSON_OBJECT('kind', 'events', 'what', CONCAT_WS(' ', EVENT_NAME, STATUS, EVENT_DEFINITION)) \
         FROM information_schema.EVENTS WHERE BINARY EVENT_SCHEMA = BINARY {}",
        literal(database)
    )
}

pub fn count(database: &str, name: &str) -> String {
    format!("SELECT COUNT(*) FROM {}", table(database, name))
}

/// A sum over all rows in which their order does not matter (MariaDB's manual, "CHECKSUM TABLE").
pub fn checksum(database: &str, name: &str) -> String {
    format!("CHECKSUM TABLE {} EXTENDED", table(database, name))
}

pub fn sequence(database: &str, name: &str) -> String {
    format!(
        "SELECT next_not_cached_value FROM {}",
        table(database, name)
    )
}

fn table(database: &str, name: &str) -> String {
    format!("{}.{}", identifier(database), identifier(name))
}

/// Accounts first, then roles.
pub const ACCOUNTS: &str = "\
SELECT JSON_OBJECT('user', User, 'host', Host, 'is_role', is_role) FROM mysql.user \
ORDER BY is_role, BINARY User, BINARY Host";
