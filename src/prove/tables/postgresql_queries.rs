//! What PostgreSQL is asked about a database: every answer is one line of JSON.

/// Before anything else, so that text and sums do not depend on how the server or the role is set up.
/// `set_config` takes only what this version of the server knows (PostgreSQL's manual, 20.11 and 53.24).
pub const SETTINGS: &str = "\
SELECT to_jsonb(count(set_config(name, value, false))) FROM pg_catalog.pg_settings JOIN (VALUES \
('DateStyle', 'ISO, YMD'), ('IntervalStyle', 'postgres'), ('TimeZone', 'UTC'), ('extra_float_digits', '1'), \
('bytea_output', 'hex'), ('lc_monetary', 'C'), ('xmlbinary', 'base64'), ('search_path', 'pg_catalog'), \
('row_security', 'off'), ('statement_timeout', '0'), ('lock_timeout', '0'), ('transaction_timeout', '0'), \
('idle_in_transaction_session_timeout', '0'), ('idle_session_timeout', '0'), ('synchronize_seqscans', 'off'), \
('quote_all_identifiers', 'off'), ('standard_conforming_strings', 'on')) AS wanted (name, value) USING (name)";

/// All that follows sees the database as it is now, whatever others write.
pub const BEGIN: &str = "BEGIN TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY";

pub const SNAPSHOT: &str = "SELECT to_jsonb(pg_export_snapshot())";

/// The database itself.
pub const DATABASE: &str = "\
SELECT jsonb_build_object('version', current_setting('server_version'), 'name', datname, \
'encoding', pg_encoding_to_char(encoding), 'row', to_jsonb(d), 'can_read_large_objects', \
has_table_privilege('pg_catalog.pg_largeobject', 'SELECT')) \
FROM pg_catalog.pg_database d WHERE datname = current_database()";

/// Statements that give a database of any name what belongs to the database as a whole.
pub const DATABASE_SETTINGS: &str = "\
SELECT coalesce(jsonb_agg(statement ORDER BY place, statement), '[]') FROM (\
SELECT 0 AS place, format('ALTER DATABASE {database} OWNER TO %I', pg_get_userbyid(datdba)) AS statement \
FROM pg_catalog.pg_database WHERE datname = current_database() \
UNION ALL SELECT 1, format('COMMENT ON DATABASE {database} IS %L', shobj_description(oid, 'pg_database')) \
FROM pg_catalog.pg_database WHERE datname = current_database() AND shobj_description(oid, 'pg_database') IS NOT NULL \
UNION ALL SELECT 2, 'REVOKE ALL ON DATABASE {database} FROM PUBLIC' \
FROM pg_catalog.pg_database WHERE datname = current_database() AND datacl IS NOT NULL \
UNION ALL SELECT 3, format('GRANT %s ON DATABASE {database} TO %s%s', privilege_type, \
CASE grantee WHEN 0 THEN 'PUBLIC' ELSE quote_ident(pg_get_userbyid(grantee)) END, \
CASE WHEN is_grantable THEN ' WITH GRANT OPTION' ELSE '' END) \
FROM pg_catalog.pg_database, aclexplode(datacl) WHERE datname = current_database() \
UNION ALL SELECT 4, format('ALTER %s SET %I TO %s', \
CASE setrole WHEN 0 THEN 'DATABASE {database}' \
ELSE format('ROLE %I IN DATABASE {database}', pg_get_userbyid(setrole)) END, \
split_part(setting, '=', 1), \
CASE WHEN lower(split_part(setting, '=', 1)) IN ('datestyle', 'search_path', 'temp_tablespaces', \
'session_preload_libraries', 'shared_preload_libraries', 'local_preload_libraries', 'unix_socket_directories') \
THEN substr(setting, strpos(setting, '=') + 1) ELSE quote_literal(substr(setting, strpos(setting, '=') + 1)) END) \
FROM pg_catalog.pg_db_role_setting s JOIN pg_catalog.pg_database d ON d.oid = s.setdatabase, unnest(setconfig) AS setting \
WHERE datname = current_database()) AS settings";

/// Everything with content of its own: not partitioned tables, whose rows are in the parts, and nothing that
/// belongs to an extension, which makes it anew. Columns by their names: their order may differ in a loaded one.
pub const TABLES: &str = "\
SELECT coalesce(jsonb_agg(jsonb_build_object('schema', nspname, 'name', relname, 'kind', relkind, \
'is_filled', relispopulated, 'columns', (SELECT coalesce(jsonb_agg(attname ORDER BY attname COLLATE \"C\"), '[]') \
FROM pg_catalog.pg_attribute WHERE attrelid = c.oid AND attnum > 0 AND NOT attisdropped)) \
ORDER BY nspname COLLATE \"C\", relname COLLATE \"C\"), '[]') \
FROM pg_catalog.pg_class c JOIN pg_catalog.pg_namespace n ON n.oid = c.relnamespace \
WHERE relkind IN ('r', 'm', 'S') AND relpersistence <> 't' \
AND nspname <> 'information_schema' AND nspname !~ '^pg_' \
AND NOT EXISTS (SELECT FROM pg_catalog.pg_depend d WHERE d.classid = 'pg_catalog.pg_class'::regclass \
AND d.objid = c.oid AND d.deptype = 'e')";

/// What has no rows: one line for each kind, with a sum over names and over text that is kept word for word.
pub const OBJECTS: &str = "\
SELECT coalesce(jsonb_object_agg(kind, figures), '{}') FROM (SELECT kind, jsonb_build_object('count', count(*), \
'sum', sum(('x' || substr(md5(quote_ident(nspname) || '.' || what), 1, 16))::bit(64)::bigint::numeric)::text) AS figures FROM (\
SELECT 'schemas' AS kind, quote_ident(nspname) AS what, 'pg_namespace' AS catalogue, oid, oid AS namespace \
FROM pg_catalog.pg_namespace \
UNION ALL SELECT 'views', quote_ident(relname), 'pg_class', oid, relnamespace FROM pg_catalog.pg_class \
WHERE relkind IN ('v', 'm') AND relpersistence <> 't' \
UNION ALL SELECT 'tables', quote_ident(relname), 'pg_class', oid, relnamespace FROM pg_catalog.pg_class \
WHERE relkind IN ('r', 'p', 'f') AND relpersistence <> 't' \
UNION ALL SELECT 'indexes', quote_ident(relname), 'pg_class', oid, relnamespace FROM pg_catalog.pg_class \
WHERE relkind IN ('i', 'I') AND relpersistence <> 't' \
UNION ALL SELECT 'functions', format('%I(%s) %s', proname, pg_get_function_identity_arguments(oid), prosrc), \
'pg_proc', oid, pronamespace FROM pg_catalog.pg_proc \
UNION ALL SELECT 'triggers', format('%I %s', tgname, tgenabled), 'pg_class', tgrelid, relnamespace \
FROM pg_catalog.pg_trigger t JOIN pg_catalog.pg_class c ON c.oid = tgrelid WHERE NOT tgisinternal \
UNION ALL SELECT 'constraints', format('%I %s %s', conname, contype, convalidated), 'pg_class', conrelid, connamespace \
FROM pg_catalog.pg_constraint WHERE contype IN ('c', 'f', 'p', 'u', 'x') AND conparentid = 0 AND conrelid <> 0 \
UNION ALL SELECT 'policies', quote_ident(polname), 'pg_class', polrelid, relnamespace \
FROM pg_catalog.pg_policy JOIN pg_catalog.pg_class c ON c.oid = polrelid \
UNION ALL SELECT 'types', quote_ident(typname), 'pg_type', oid, typnamespace FROM pg_catalog.pg_type \
WHERE typtype IN ('d', 'e', 'r')) AS found \
JOIN pg_catalog.pg_namespace n ON n.oid = found.namespace \
WHERE nspname <> 'information_schema' AND nspname !~ '^pg_' \
AND NOT EXISTS (SELECT FROM pg_catalog.pg_depend d WHERE d.classid = ('pg_catalog.' || catalogue)::regclass \
AND d.objid = found.oid AND d.deptype = 'e') GROUP BY kind) AS counted";

pub const EXTENSIONS: &str = "\
SELECT coalesce(jsonb_agg(jsonb_build_object('name', extname, 'version', extversion) \
ORDER BY extname COLLATE \"C\"), '[]') FROM pg_catalog.pg_extension";

/// Pages of 2 KiB, the same wherever they are loaded (PostgreSQL's manual, 53.30).
pub const LARGE_OBJECTS: &str = "\
SELECT jsonb_build_object('rows', (SELECT count(*) FROM pg_catalog.pg_largeobject_metadata), 'sum', \
(SELECT coalesce(sum(('x' || substr(md5(loid || ' ' || pageno || ' ' || encode(data, 'hex')), 1, 16))\
::bit(64)::bigint::numeric), 0)::text FROM pg_catalog.pg_largeobject))";

pub const COUNT_LARGE_OBJECTS: &str = "\
SELECT jsonb_build_object('rows', count(*), 'sum', NULL) FROM pg_catalog.pg_largeobject_metadata";

pub const ROLES: &str = "SELECT coalesce(jsonb_agg(rolname), '[]') FROM pg_catalog.pg_roles";

use crate::tools::postgresql::identifier;

/// How many rows, and a sum over all of them in which their order does not matter.
pub fn figures(schema: &str, name: &str, columns: &[String]) -> String {
    let columns: Vec<String> = columns.iter().map(|column| identifier(column)).collect();
    format!(
        "SELECT jsonb_build_object('rows', count(*), 'sum', coalesce(sum(('x' || \
         substr(md5(ROW({})::text), 1, 16))::bit(64)::bigint::numeric), 0)::text) FROM ONLY {}.{}",
        columns.join(", "),
        identifier(schema),
        identifier(name)
    )
}

/// A sequence has no rows, and no snapshot either.
pub fn sequence(schema: &str, name: &str) -> String {
    format!(
        "SELECT jsonb_build_object('rows', 1, 'sum', last_value || ' ' || is_called) FROM {}.{}",
        identifier(schema),
        identifier(name)
    )
}
