//! The users and roles of a MariaDB server, with their passwords as the server keeps them and with what they may.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use serde::Deserialize;

use super::TablesError;
use super::mariadb::Session;
use super::mariadb_queries as queries;
use crate::tools::mariadb::{MariadbServer, identifier};

/// Before each statement: whom it is for. A comment to the server, a mark to hayloft.
const MARK: &str = "-- for ";

#[derive(Debug, Deserialize)]
struct Account {
    user: String,
    host: String,
    is_role: String,
}

impl Account {
    /// As it stands in statements.
    fn name(&self) -> String {
        let user = identifier(&self.user);
        if self.is_role == "Y" {
            user
        } else {
            format!("{user}@{}", identifier(&self.host))
        }
    }
}

/// Statements that make them all: accounts, then what they may.
///
/// # Errors
/// When the server cannot be asked.
pub fn users(server: &MariadbServer) -> Result<String, TablesError> {
    let mut session = Session::begin(server)?;
    let accounts: Vec<Account> = session.all("its users", queries::ACCOUNTS)?;
    let mut text = String::from("-- users and roles of a MariaDB server, written by hayloft\n");
    for account in &accounts {
        let name = account.name();
        let create = if account.is_role == "Y" {
            format!("CREATE ROLE IF NOT EXISTS {name}")
        } else {
            let told = session.lines(&format!("SHOW CREATE USER {name}"))?;
            let told = told.join("\n");
            told.replacen("CREATE USER ", "CREATE USER IF NOT EXISTS ", 1)
        };
        write_statement(&mut text, &name, &create);
    }
    for account in &accounts {
        let name = account.name();
        for grant in session.lines(&format!("SHOW GRANTS FOR {name}"))? {
            // what else it tells are the account's roles' own, which are not its
            write_statement(&mut text, &name, &grant);
        }
    }
    session.end()?;
    Ok(text)
}

fn write_statement(text: &mut String, name: &str, statement: &str) {
    let name = name.replace('\n', " ");
    let _ = write!(text, "{MARK}{name}\n{statement};\n");
}

/// Of what [`users`] wrote, the statements for those that a server does not have.
///
/// # Errors
/// When the server cannot be asked.
pub fn missing_users(server: &MariadbServer, text: &str) -> Result<String, TablesError> {
    let mut session = Session::begin(server)?;
    let accounts: Vec<Account> = session.all("its users", queries::ACCOUNTS)?;
    session.end()?;
    let there: BTreeSet<String> = (accounts.iter())
        .map(|account| account.name().replace('\n', " "))
        .collect();
    Ok(for_others(text, &there))
}

fn for_others(text: &str, there: &BTreeSet<String>) -> String {
    let mut wanted = true;
    let mut kept = String::new();
    for line in text.split_inclusive('\n') {
        if let Some(name) = line.strip_prefix(MARK) {
            wanted = !there.contains(name.trim_end_matches('\n'));
        }
        if wanted {
            kept.push_str(line);
        }
    }
    kept
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn who_is_there_already_is_left_as_it_is() {
        let text = "-- users\n-- for `root`@`localhost`\nCREATE USER x;\n-- for `ines`@`%`\nCREATE USER\ny;\n\
                    -- for `root`@`localhost`\nGRANT ALL;\n-- for `ines`@`%`\nGRANT USAGE;\n";
        let there = BTreeSet::from(["`root`@`localhost`".to_owned()]);
        assert_eq!(
            for_others(text, &there),
            "-- users\n-- for `ines`@`%`\nCREATE USER\ny;\n-- for `ines`@`%`\nGRANT USAGE;\n"
        );
    }
}
