//! Whether an installed client can export a server: one that is older does not know what the server may hold.

use super::Stop;
use crate::record::Outcome;

/// `None` when it can. Versions are compared as far as they tell of new abilities: the major one of PostgreSQL, the
/// first two numbers of MariaDB.
pub fn too_old<V: PartialOrd>(client: &Client<V>, server: &V) -> Option<Stop> {
    if client.version.as_ref().is_some_and(|have| have >= server) {
        return None;
    }
    let Client {
        program,
        version,
        told,
        server_told,
        package,
    } = client;
    let reason = match version {
        Some(_) => format!(
            "`{program}` is of version {told}, older than the server's {server_told}: it cannot export what only newer ones know"
        ),
        None => format!("`{program}` does not tell its version: `{told}`"),
    };
    Some(Stop::new(Outcome::Failed, reason).advise(format!(
        "install the client of the server's version: apt install {package}; nothing was exported"
    )))
}

/// A client, and the server that it is to ask, in words.
#[derive(Debug, Clone, Copy)]
pub struct Client<'a, V> {
    pub program: &'a str,
    pub version: Option<V>,
    pub told: &'a str,
    pub server_told: &'a str,
    pub package: &'a str,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn client<V>(version: Option<V>) -> Client<'static, V> {
        Client {
            program: "pg_dump",
            version,
            told: "15",
            server_told: "17.2",
            package: "postgresql-client-17",
        }
    }

    // PostgreSQL's manual, pg_dump, Notes: it refuses to dump from servers newer than its own major version
    #[test]
    fn a_client_that_is_older_than_the_server_is_a_stop_and_one_that_is_newer_is_none() {
        for (have, server, fine) in [(15, 15, true), (17, 15, true), (15, 17, false)] {
            assert_eq!(too_old(&client(Some(have)), &server).is_none(), fine);
        }
        let stop = too_old(&client(Some(15)), &17).unwrap();
        assert!(stop.reason.contains("older than the server's 17.2"));
        assert!(stop.advice[0].contains("apt install postgresql-client-17"));
        assert!(too_old(&client(Some((10, 5))), &(10, 11)).is_some());
        assert!(too_old(&client(Some((11, 4))), &(10, 11)).is_none());
    }

    #[test]
    fn a_client_whose_version_is_unknown_is_not_trusted() {
        assert!(too_old(&client(None), &15).is_some());
    }
}
