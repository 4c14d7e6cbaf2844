//! Roles of PostgreSQL, as `pg_dumpall(1)` writes them: which of the statements are for roles that a server lacks.

use std::collections::BTreeSet;

use super::TablesError;
use super::postgresql::Session;
use super::postgresql_queries as queries;
use crate::tools::postgresql::PostgresqlServer;

/// Of what `pg_dumpall --globals-only` wrote, the statements for roles that the server does not have. Roles that are
/// there stay as they are, and so do tablespaces: where they lie is this machine's own.
///
/// # Errors
/// When the server cannot be asked.
pub fn missing_roles(server: &PostgresqlServer, text: &str) -> Result<String, TablesError> {
    let mut session = Session::begin(server, "postgres")?;
    let there: BTreeSet<String> = session.ask("its roles", queries::ROLES)?;
    session.end()?;
    let mut wanted = String::new();
    for statement in statements(text) {
        if is_wanted(&statement, &there) {
            wanted.push_str(&statement);
            wanted.push_str(";\n");
        }
    }
    Ok(wanted)
}

fn is_wanted(statement: &str, there: &BTreeSet<String>) -> bool {
    let role_behind = |begin: &str| statement.strip_prefix(begin).map(first_name);
    for begin in ["CREATE ROLE ", "ALTER ROLE ", "COMMENT ON ROLE "] {
        if let Some(name) = role_behind(begin) {
            return !there.contains(&name);
        }
    }
    if let Some(grant) = statement.strip_prefix("GRANT ") {
        let member = grant
            .split_once(" TO ")
            .map(|(_, behind)| first_name(behind));
        let is_of_roles = !grant.contains(" ON ");
        return is_of_roles && member.is_some_and(|name| !there.contains(&name));
    }
    statement.starts_with("SET ")
}

/// The identifier that a text begins with, without its quotes.
fn first_name(text: &str) -> String {
    let Some(quoted) = text.strip_prefix('"') else {
        let end = text.find(|c: char| c.is_whitespace() || c == ';');
        return text[..end.unwrap_or(text.len())].to_owned();
    };
    let mut name = String::new();
    let mut rest = quoted.chars().peekable();
    while let Some(c) = rest.next() {
        match c {
            '"' if rest.peek() == Some(&'"') => {
                rest.next();
                name.push('"');
            }
            '"' => break,
            c => name.push(c),
        }
    }
    name
}

/// Statements without their ends; semicolons within quotes end none. Comments and psql's own commands go.
fn statements(text: &str) -> Vec<String> {
    let mut found = Vec::new();
    let (mut statement, mut quote) = (String::new(), None);
    for line in text.lines() {
        let between = statement.trim().is_empty();
        if between && quote.is_none() && (line.starts_with("--") || line.starts_with('\\')) {
            continue;
        }
        for c in line.chars() {
            match (quote, c) {
                (None, '\'' | '"') => quote = Some(c),
                (Some(open), c) if open == c => quote = None,
                (None, ';') => {
                    found.push(std::mem::take(&mut statement).trim().to_owned());
                    continue;
                }
                _ => {}
            }
            statement.push(c);
        }
        statement.push('\n');
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    // as `pg_dumpall` of PostgreSQL 15 writes them
    const GLOBALS: &str = "--\n-- PostgreSQL database cluster dump\n--\n\n\\restrict x\nSET client_encoding = 'UTF8';\n\n\
        CREATE ROLE ines;\nALTER ROLE ines WITH LOGIN PASSWORD 'SCRAM-SHA-256$4096:a;b';\n\
        CREATE ROLE \"two \"\"bowls\"\"\";\nCOMMENT ON ROLE \"two \"\"bowls\"\"\" IS 'a;\n-- b''c';\n\
        CREATE ROLE postgres;\nALTER ROLE postgres WITH SUPERUSER;\nALTER ROLE postgres SET work_mem TO '1GB';\n\
        GRANT ines TO \"two \"\"bowls\"\"\" WITH INHERIT TRUE GRANTED BY postgres;\nGRANT ines TO postgres;\n\
        CREATE TABLESPACE fast OWNER postgres LOCATION '/fast';\nGRANT ALL ON TABLESPACE fast TO ines;\n";

    #[test]
    fn only_what_is_for_missing_roles_is_kept() {
        let there = BTreeSet::from(["postgres".to_owned()]);
        let kept: Vec<String> = statements(GLOBALS)
            .into_iter()
            .filter(|statement| is_wanted(statement, &there))
            .collect();
        assert_eq!(
            kept,
            [
                "SET client_encoding = 'UTF8'",
                "CREATE ROLE ines",
                "ALTER ROLE ines WITH LOGIN PASSWORD 'SCRAM-SHA-256$4096:a;b'",
                "CREATE ROLE \"two \"\"bowls\"\"\"",
                "COMMENT ON ROLE \"two \"\"bowls\"\"\" IS 'a;\n-- b''c'",
                "GRANT ines TO \"two \"\"bowls\"\"\" WITH INHERIT TRUE GRANTED BY postgres",
            ]
        );
    }
}
